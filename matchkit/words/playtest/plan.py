"""A blind plan: what it can show, the key for the person who sets up, and the sheet of the players."""

from __future__ import annotations

from matchkit.playtest.design.plan import MOST_TRIALS, REST_AFTER, Plan, Turn
from matchkit.records.trials import LINES
from matchkit.words.numbers import counted
from matchkit.words.screen import Screen, screen, sentences

CAUTIONS = (
    "Clean and disinfect a mouthpiece before it goes to another player; one reed a player.",
    "Wet and play in every reed alike before it counts, and set it flush with the tip rail.",
    f"Rest after every {REST_AFTER} turns; stop when the lip hurts.",
    "Long loud playing harms hearing: wear protection, and follow local rules.",
)


def plan_screen(plan: Plan, folder: str | None) -> Screen:
    """Return what is planned and what it can show, without the key; ``folder`` is where the sheets were written."""
    size = f"{counted(len(plan.sets), 'set-up')}, {counted(len(plan.players), 'player')}, {counted(len(plan.turns), 'turn')}"
    asks = {"rate": "rate set-ups", "two": f"which has more {plan.attribute}", "triangle": "is there any difference"}[plan.kind]
    sheets = (
        "Write the sheets with --out FOLDER."
        if folder is None
        else f"In {folder}: key.txt for who sets up, player.txt for players, both as html to print; answers.csv to fill in (matchkit log --from)."
    )
    return screen(
        sentences(f"{asks}: {size}", design_words(plan)),
        *_power(plan),
        "With one player the result speaks for that player only." if len(plan.players) == 1 else None,
        *CAUTIONS,
        sheets,
    )


def design_words(plan: Plan) -> str:
    """Return how the order was made."""
    made = plan.design
    if made.trials:
        return f"{made.trials} trials, every order as often as can be, in random sequence"
    if made.blocks > 1:
        return f"{made.blocks} sittings of {made.block}: every two set-ups meet in one sitting equally often (Williams orders)"
    each = f"Williams orders of {made.block}: each follows every other equally often over {made.orders} sittings"
    return each if made.balanced else f"{each}, of which this plan has {made.sittings}: not yet balanced"


def _power(plan: Plan) -> list[str]:
    found = plan.power
    if found is None:
        return []
    if found.two_sided:
        asked = "either is named"
    else:
        asked = "the claimed one is named" if plan.kind == "two" else "the answer is right"
    shown = f"a difference is shown where {asked} {found.critical} times of {found.trials} or more"
    chance = f"chance alone does that in {100 * found.size:.1f} %; anything less is inconclusive"
    if found.needed is not None and found.needed <= MOST_TRIALS:
        enough = f"from {found.needed} trials on never fewer than 80"
    else:
        enough = "80 take more trials than one session holds"
    power = f"a difference of d' = {found.d_prime:g} is found in {100 * found.power:.0f} of 100 such sessions, {enough}"
    return [sentences(shown, chance), sentences(power)]


def key_sheet(plan: Plan) -> str:
    """Return the sheet for the person who sets up: which code is which set-up. The player must not see it."""
    lines = [
        f"KEY of {plan.session}: for the person who sets up. Keep it from the players.",
        f"{sentences(design_words(plan))} Seed {plan.seed}.",
        "",
    ]
    for turn in plan.turns:
        told = ", ".join(f"{code} = {item}" for code, item in zip(turn.codes, turn.sets, strict=True))
        again = "  (hidden repeat)" if turn.hidden_repeat else ""
        lines.append(f"{_who(plan, turn)}{turn.position:>3}. {told}{again}")
        if turn.position % REST_AFTER == 0:
            lines.append("     rest; clean and disinfect")
    if plan.power is not None and plan.power.critical is not None:
        lines += ["", critical_words(plan), "", fill_words(plan)]
    lines += ["", *(f"- {caution}" for caution in CAUTIONS), ""]
    return "\n".join(lines)


def player_sheet(plan: Plan) -> str:
    """Return the sheets of the players: codes and what to answer, nothing of what they stand for."""
    rated = plan.kind == "rate"
    lines = [f"{plan.session}: sheet of the player.", asks_words(plan), ""]
    if rated:
        lines += [*(f"  {name}: {ends}" for name, ends in LINES.items()), ""]
    if plan.power is not None and plan.power.critical is not None:
        lines += [critical_words(plan, blind=True), ""]
    for player in plan.players:
        lines.append(f"Player {player}")
        for turn in (turn for turn in plan.turns if turn.player_id == player):
            marks = "ease ___  resistance ___  brightness ___  evenness ___  overall ___" if rated else ""
            sitting = f"sitting {turn.sitting}, " if rated else ""
            lines.append(f"  {sitting}{turn.position:>2}.  {'   '.join(turn.codes)}   {marks}".rstrip())
            if turn.position % REST_AFTER == 0:
                lines.append("      rest")
        lines.append("")
    lines += [*(f"- {caution}" for caution in CAUTIONS), ""]
    return "\n".join(lines)


def asks_words(plan: Plan) -> str:
    """Return what a player is asked at each turn."""
    return {
        "rate": "Play each, and mark ease, resistance, brightness, evenness and overall from 0 to 10.",
        "triangle": "Two of the three are the same. Circle the odd one; guess where you cannot tell.",
        "two": f"Circle the one with more {plan.attribute}; guess where you cannot tell.",
    }[plan.kind]


def fill_words(plan: Plan) -> str:
    """Return how answers of two or three are written into the file."""
    last = "or 2 for the second" if plan.kind == "two" else "2 for the second or 3 for the third"
    return (
        f"In answers.csv, by its codes in the note: answer 1 where the first code was named, {last}; take out rows not played."
    )


def _who(plan: Plan, turn: Turn) -> str:
    sitting = f" sitting {turn.sitting}" if plan.kind == "rate" else ""
    return f"{turn.player_id}{sitting}, "


def critical_words(plan: Plan, *, blind: bool = False) -> str:
    """Return from how many answers on a difference is shown; nothing where marks are asked for. ``blind`` names no set-up."""
    found = plan.power
    if found is None or found.critical is None:
        return ""
    rest = "or more; anything less is inconclusive."
    if plan.kind == "triangle":
        return f"A difference is shown by {found.critical} right answers of {found.trials}, {rest}"
    who = "the one that is claimed" if blind else str(plan.claim)
    either = "either of them" if found.two_sided else who
    return f"A difference is shown where {either} is named {found.critical} times of {found.trials}, {rest}"

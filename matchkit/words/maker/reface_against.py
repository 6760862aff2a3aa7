"""What speaks against a refacing plan, and what is to be looked at before anything comes off."""

from __future__ import annotations

from matchkit.maker.conformity.batch import FINER_STEP_MM
from matchkit.maker.facts import Against
from matchkit.words.maker.features import EXCHANGED

_AGAINST = {
    "scan zero first": "every feeler would stop off its drawing by much the same on both rails: see that the scan counts from the tip before anything comes off",
    "scans apart first": "see that both scans count from the tip before anything comes off: one that does not makes a rail short",
    "rails exchanged": f"{EXCHANGED}: see which rail is which before anything comes off",
    "feelers too doubtful": "whether it is out of its drawing cannot be told, and reading again does not help: the doubt is that of the feelers themselves, measure them with a micrometer",
    "zero first": "every feeler stops off its drawing by much the same on both rails: look at the zero of the gauge and at how the piece lay before anything comes off",
    "perhaps within its drawing": "whether it is out of its drawing cannot be told yet: read it twice more before anything comes off",
    "gauge too coarse for its drawing": "the gauge cannot tell whether it is out of its drawing, however often it is read: take a better one, or wider limits",
    "one rail": "one rail was not measured and is taken as the other one: measure it first",
    "table convex": "the table is convex: flatten it, measure again, and plan again",
    "within the uncertainty": "the whole change is within what the gauge can tell: measure better, or leave it",
    "never measured": "the facing was never measured: a plan from nominal numbers is a guess",
    "wall unknown": "the wall is not recorded: measure it (wall_mm) before anything comes off",
}


FIRST = (
    "perhaps another model",
    "near another model",
    "rails exchanged",
    "zero first",
    "scan zero first",
    "scans apart first",
    "one feeler first",
)
"""What stands before the plan: it may be that nothing is wrong with the piece."""
LEAVE = (
    "within its drawing",
    "perhaps within its drawing",
    "gauge too coarse for its drawing",
    "feelers too doubtful",
    "stops too coarse",
)


def against_words(reason: Against) -> str:
    """Return a reason against doing what a plan says, without a capital."""
    sized = _SIZED.get(reason.why)
    return (
        _AGAINST[reason.why]
        if sized is None
        else sized.format(size=reason.size, limit=reason.limit, what=reason.what, finer=FINER_STEP_MM)
    )


_SIZED = {
    "opens too much": "do not do this: it opens the tip by {size:.2f} mm, which makes another mouthpiece",
    "closes too much": "do not do this: it closes the tip by {size:.2f} mm, which makes another mouthpiece",
    "wall too thin": "do not do this: it leaves {size:.1f} mm of wall, and {limit:g} mm is the least (assumed)",
    "perhaps another model": "it lies within the drawing of {what} and far from its own: see first whether its model is right; nothing comes off of a piece that is filed wrong",
    "near another model": "it lies within the drawing of {what}: see first whether its model is right",
    "one feeler first": "the rails differ at the {size:g} mm feeler alone: read it again before anything comes off, a slip of one reading looks the same",
    "stops too coarse": "whether it is out of its drawing cannot be told from stops read to {size:g} mm, however often: read them to {finer:g} mm before anything comes off",
}

"""Pages: one self-contained HTML file each, which needs no network and no script, for a screen, a telephone or a printer.

Every text is escaped by jinja2; pictures are svg within the page, a narrow one for narrow screens.
"""

from __future__ import annotations

import base64
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from functools import cache
from typing import TYPE_CHECKING, Any

from matchkit.advise.answers import Ranking
from matchkit.report.draw import written
from matchkit.report.figures import PICTURES, figure_of, picture_of
from matchkit.words.paper.evening import EveningSheet
from matchkit.words.paper.headings import caption_of, footer_of, heading_of
from matchkit.words.paper.sheet import Label, customer_sheet
from matchkit.words.screen import Gap, Screen, Table, Text, Title

if TYPE_CHECKING:
    import jinja2

WHITE = frozenset(" \n\t")
NARROW = 4.4
"""Inches that a picture for a narrow screen is wide."""


@cache
def _templates() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("matchkit.report", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        finalize=_printable,
    )


def _printable(value: Any) -> Any:
    """Return a text without control characters, which no page may hold."""
    if not isinstance(value, str) or value.isprintable():
        return value
    kept = "".join(letter if letter.isprintable() or _is_space(letter) else "\N{REPLACEMENT CHARACTER}" for letter in value)
    return type(value)(kept)


def _is_space(letter: str) -> bool:
    return letter in WHITE or unicodedata.category(letter) == "Zs"


def page_of(answer: Any, screen: Screen, *, also: Sequence[Any] = (), invented: bool = False) -> str:
    """Return an answer as a page: a ranking as a customer's sheet, all else as its screen with its picture; ``also`` is drawn besides."""
    drawn = [picture(item) for item in (answer, *also) if type(item).__name__ in PICTURES and _drawable(item)]
    heading, footer = heading_of(answer), footer_of(answer, invented=invented)
    if isinstance(answer, Ranking):
        return _written(
            "customer.html", heading, sheet=asdict(customer_sheet(answer)), pictures=drawn if answer.rows else [], footer=footer
        )
    return _written("answer.html", heading, blocks=list(_blocks(screen)), pictures=drawn, footer=footer)


def evening_page(sheets: Sequence[EveningSheet], *, key: bool = False) -> str:
    """Return the sheets of a blind evening, each on paper of its own; ``key`` for the one that tells what the codes stand for."""
    heading = sheets[0].heading if sheets else "A blind evening"
    plain = [asdict(sheet) for sheet in sheets]
    return _written("evening.html", heading, sheets=plain, key=key, nothing="\N{NO-BREAK SPACE}", footer=())


def labels_page(labels: Sequence[Label]) -> str:
    """Return the cards of several mouthpieces on one sheet."""
    return _written("labels.html", "Which strength on which mouthpiece", labels=[asdict(label) for label in labels], footer=())


def _written(template: str, heading: str, **given: Any) -> str:
    return _templates().get_template(template).render(heading=heading, **given)


def _drawable(answer: Any) -> bool:
    """Tell an answer that has something to draw: a facing that was read, an analysis that found anything."""
    name = type(answer).__name__
    if name == "FacingReport":
        return answer.outline is not None
    return bool(answer.comparisons) if name == "Analysis" else True


def picture(answer: Any) -> dict[str, str]:
    """Return a picture, wide and narrow, as addresses that hold it, with what it shows in words."""
    wide = _address(written(figure_of(answer), "svg"))
    narrow = _address(written(figure_of(answer, width=NARROW), "svg")) if picture_of(answer).narrows else ""
    return {"wide": wide, "narrow": narrow, "alt": caption_of(answer)}


def _address(svg: bytes) -> str:
    return f"data:image/svg+xml;base64,{base64.b64encode(svg).decode()}"


def _blocks(screen: Screen) -> Iterable[dict[str, Any]]:
    for block in screen.blocks:
        if isinstance(block, Text):
            yield {"kind": "text", "text": " ".join((block.text, *block.more)).strip(), "indent": block.indent > 0}
        elif isinstance(block, Title):
            yield {"kind": "title", "left": block.left, "right": block.right}
        elif isinstance(block, Table):
            yield {"kind": "table", "titles": block.titles, "rows": block.rows, "right": block.right}
        else:
            assert isinstance(block, Gap)  # noqa: S101 - there is no other block

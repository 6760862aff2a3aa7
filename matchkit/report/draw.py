"""What all pictures share: one quiet look that prints, and that says nothing by colour alone.

Drawn with matplotlib's objects, without a display. The same answer gives the same bytes on one machine.
"""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Format = Literal["svg", "png", "pdf"]

INK, FAINT, GRID, BAND = "#222222", "#8a8a8a", "#dddddd", "#d9d9d9"
FIRST, SECOND, THIRD = "#07506f", "#c05f26", "#55a3f2"
"""Dark blue, brown, light blue of unlike lightness: told apart by every common kind of colour blindness, and in grey."""
DPI = 110


def new_figure(width: float, height: float) -> Figure:
    """Return an empty figure, sizes in inches."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def written(figure: Figure, style: Format) -> bytes:
    """Write a figure; no clock, no random ids."""
    import matplotlib as mpl

    file = io.BytesIO()
    metadata: dict[str, Any] = {"svg": {"Date": None}, "png": {"Software": None}, "pdf": {"CreationDate": None}}[style]
    with mpl.rc_context({"svg.hashsalt": "matchkit", "svg.fonttype": "none", "pdf.fonttype": 42}):
        figure.savefig(file, format=style, dpi=DPI, metadata=metadata)
    return file.getvalue()


def plain(text: str) -> str:
    """Return a text in which nothing is mathematics: a dollar sign is a dollar sign."""
    return text.replace("$", r"\$")


def quiet(*every: Axes) -> None:
    """Leave out the frame above and to the right, and make the grid faint."""
    for axes in every:
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.grid(visible=True, linewidth=0.3, color=GRID)
        axes.set_axisbelow(True)


def title(axes: Axes, head: str, note: str = "") -> None:
    """Write a title, and what one has to know to read the picture in smaller letters under it."""
    figure = axes.figure.canvas.figure
    width = float(figure.get_size_inches()[0])
    figure.draw_without_rendering()  # names of rows take room to the left
    room = width - float(axes.get_position().x0) * width
    lines = textwrap.wrap(plain(note), int(room * 15))
    axes.set_title(
        "\n".join(textwrap.wrap(plain(head), int(room * 10))), fontsize=11, loc="left", color=INK, pad=8 + 11 * len(lines)
    )
    if lines:
        axes.annotate(
            "\n".join(lines),
            (0, 1),
            xytext=(0, 5),
            textcoords="offset points",
            xycoords="axes fraction",
            fontsize=8,
            color=FAINT,
            va="bottom",
        ).set_in_layout(False)


def fit_labels(figure: Figure) -> None:
    """Break the names of axes that are wider than the picture has room for."""
    figure.draw_without_rendering()
    width = float(figure.get_size_inches()[0])
    for axes in figure.axes:
        place = axes.get_position()
        room = 2 * width * min(place.x0 + place.width / 2, 1 - place.x0 - place.width / 2)
        axes.set_xlabel("\n".join(textwrap.wrap(axes.get_xlabel(), max(int(room * 12), 12))))
        axes.set_ylabel(
            "\n".join(textwrap.wrap(axes.get_ylabel(), max(int(place.height * float(figure.get_size_inches()[1]) * 12), 12)))
        )


def beside(axes: Axes, text: str, at: tuple[float, float], **how: Any) -> None:
    """Write a text beside a point, which does not count when the panels are laid out."""
    place = {"xytext": (7, 0), "textcoords": "offset points", "fontsize": 8, "color": INK, **how}
    axes.annotate(plain(text), at, **place).set_in_layout(False)


def name_rows(axes: Axes, names: list[str], *, size: float = 9) -> None:
    """Name rows from the top down."""
    axes.set_yticks(range(len(names)), [plain(name) for name in names], fontsize=size)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.tick_params(axis="y", length=0)

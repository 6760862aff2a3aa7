"""Numbers as they are said: strengths, expected marks, ranges, prices."""

from __future__ import annotations

from matchkit import constants
from matchkit.constants import DECIMALS, TWO_SIDED


def strengths(half_strengths: float) -> str:
    """Return a size in strengths of reed, from half strengths, whatever its sign.

    >>> strengths(0.5), strengths(-1.0), strengths(2.1), strengths(6.2)
    ('a touch', 'half a strength', 'a full strength', 'about 3 strengths')
    """
    size = round(abs(half_strengths), DECIMALS)
    if size < 0.75:
        return "a touch"
    if size < 1.5:
        return "half a strength"
    if size < 2.5:
        return "a full strength"
    return f"about {round(size) / 2:g} strengths"


def is_alike(steps: float) -> bool:
    """Tell whether a difference in steps is too small to be noticed."""
    return round(abs(steps), DECIMALS) < constants.NOTICE.value


def plus_minus(value: float, u: float | None, digits: int, unit: str) -> str:
    """Return a value with the range that holds the truth 19 times of 20.

    >>> plus_minus(1.99, 0.02, 2, "mm")
    '1.99 ± 0.04 mm'
    """
    told = f"{value:.{digits}f}" if u is None else f"{value:.{digits}f} ± {TWO_SIDED * u:.{digits}f}"
    return f"{told} {unit}".rstrip()


def mark(points: float) -> str:
    """Return a score of 100 as a mark of 10.

    >>> mark(86.2), mark(100.0)
    ('8.6', '10')
    """
    return f"{points / 10:.1f}".removesuffix(".0")


def expected(score: float, low: float | None, high: float | None) -> str:
    """Return what mark to expect, with the range of one further mark where there is one.

    >>> expected(86.2, 69.0, 100.0)
    'expect 8.6 of 10 (6.9 to 10)'
    """
    span = "" if low is None or high is None else f" ({mark(low)} to {mark(high)})"
    return f"expect {mark(score)} of 10{span}"


def money(price: float | None) -> str:
    """Return a price with two decimals, or a dash where it is not known.

    >>> money(3.5), money(None)
    ('3.50', '-')
    """
    return "-" if price is None else f"{price:.2f}"


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return a count with its noun.

    >>> counted(1, "piece"), counted(3, "mark")
    ('1 piece', '3 marks')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


def percent(share: float) -> str:
    """Return a share in percent, without decimals."""
    return f"{100 * share:.0f} %"


def signed(value: float, digits: int) -> str:
    """Return a difference with its sign; nothing stands for a minus that rounds away.

    >>> signed(-0.04, 1), signed(0.25, 2)
    ('+0.0', '+0.25')
    """
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def allowed_words(low: float | None, high: float | None, digits: int = 2) -> str:
    """Return what lies between two limits, either of which may be missing.

    >>> allowed_words(2.42, 2.58), allowed_words(None, 0.01)
    ('2.42 to 2.58', 'at most 0.01')
    """
    if low is None:
        return "-" if high is None else f"at most {high:.{digits}f}"
    return f"at least {low:.{digits}f}" if high is None else f"{low:.{digits}f} to {high:.{digits}f}"

"""Guard bands and probabilities of conformity against the arithmetic of JCGM 106."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matchkit.maker.conformity.judged import Judged
from matchkit.maker.conformity.rule import Limits, conformity_probability, guard_band, judge


@pytest.mark.parametrize(
    ("value", "u", "limits", "expected"),
    [
        (-5.47, 0.05, Limits(high=-5.40), 0.9192),
        (509.7, 8.6, Limits(low=490.0), 0.9890),
        (13.6, 1.8, Limits(12.5, 16.3), 0.6626),
    ],
    ids=["breakdown voltage", "tensile strength", "motor oil"],
)
def test_probabilities_of_the_guide(value: float, u: float, limits: Limits, expected: float) -> None:
    """Three worked examples: JCGM 106:2012 (inputs from memory, arithmetic to four digits)."""
    assert conformity_probability(value, u=u, limits=limits) == pytest.approx(expected, abs=5e-4)


def test_guard_bands_of_one_limit() -> None:
    """1.6449 u for 5 % and 1.9600 u for 2.5 % (normal quantiles, analytic); on the limit the probability is one half."""
    assert guard_band(1.0) == pytest.approx(1.6449, abs=5e-5)
    assert guard_band(1.0, confidence=0.975) == pytest.approx(1.9600, abs=5e-5)
    assert conformity_probability(2.0, u=0.3, limits=Limits(high=2.0)) == 0.5
    limits = Limits(high=2.0)
    assert judge(2.0 - 1.6449, u=1.0, limits=limits) == "pass"
    assert judge(2.0 - 1.6447, u=1.0, limits=limits) == "inconclusive"
    assert judge(2.0 + 1.6447, u=1.0, limits=limits) == "inconclusive"
    assert judge(2.0 + 1.6450, u=1.0, limits=limits) == "fail"


def test_without_uncertainty_there_is_no_doubt() -> None:
    """U = 0: inside or on a limit passes, outside fails."""
    limits = Limits(1.0, 2.0)
    assert [judge(x, u=0.0, limits=limits) for x in (0.999, 1.0, 2.0, 2.001)] == ["fail", "pass", "pass", "fail"]


def test_a_gauge_too_coarse_for_its_limits_never_passes_anything() -> None:
    """Where u is half the tolerance even the middle is inconclusive."""
    assert judge(1.5, u=0.5, limits=Limits(1.0, 2.0)) == "inconclusive"


def test_a_gauge_that_cannot_tell_fails_nothing() -> None:
    """Limits far narrower than u: 1.645 u beyond one of them fails, as of one limit (normal quantile); the middle does not, improbable as it is."""
    limits = Limits(-0.01, 0.01)
    assert conformity_probability(0.0, u=1.0, limits=limits) < 0.01
    assert judge(0.0, u=1.0, limits=limits) == "inconclusive"
    assert judge(0.01 + 1.6447, u=1.0, limits=limits) == "inconclusive"
    assert judge(0.01 + 1.6450, u=1.0, limits=limits) == "fail"
    assert judge(-0.01 - 1.6450, u=1.0, limits=limits) == "fail"


@given(st.floats(-5, 5), st.floats(1e-3, 3), st.floats(-3, 3), st.floats(0, 4))
def test_probabilities_are_probabilities_and_symmetric(value: float, u: float, low: float, width: float) -> None:
    """Within 0 and 1, and the same when everything is mirrored."""
    found = conformity_probability(value, u=u, limits=Limits(low, low + width))
    mirrored = conformity_probability(-value, u=u, limits=Limits(-low - width, -low))
    assert 0 <= found <= 1
    assert found == pytest.approx(mirrored, abs=1e-12)


def test_what_cannot_be_is_refused() -> None:
    """Limits the wrong way round, a negative uncertainty and nan are errors."""
    with pytest.raises(ValueError, match="above the upper"):
        Limits(2.0, 1.0)
    with pytest.raises(ValueError, match="at least 0"):
        conformity_probability(1.0, u=-1.0, limits=Limits(0.0))
    with pytest.raises(ValueError, match="finite"):
        conformity_probability(float("nan"), u=1.0, limits=Limits(0.0))


def test_how_far_off_a_size_is_beside_one_limit() -> None:
    """In parts of the room to the limit; with no room, 1 on the limit and one more for each uncertainty beyond it; nothing on the other side."""

    def share(value: float, nominal: float, *, low: float | None = None, high: float | None = None) -> float:
        return Judged("tip_opening_mm", None, None, value, 0.1, nominal, low, high, 0.5, "inconclusive", critical=True).share

    assert share(2.3, 2.0, high=2.4) == pytest.approx(0.75)
    assert share(1.7, 2.0, low=1.6) == pytest.approx(-0.75)
    assert share(2.3, 2.0, high=2.0) == pytest.approx(1 + 0.3 / 0.1)
    assert share(1.8, 2.0, low=2.0) == pytest.approx(-(1 + 0.2 / 0.1))
    assert share(1.9, 2.0, high=2.4) == share(2.1, 2.0, low=1.6) == 0.0
    assert share(2.3, 2.0, low=1.8, high=2.4) == pytest.approx(2 / 3)

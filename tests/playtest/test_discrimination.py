"""Blind tests against the tables of the standards, constants of the theory, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binomtest
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from matchkit.playtest.stats.discrimination import (
    Kind,
    binomial_test,
    critical_count,
    d_prime_of,
    exact_size,
    holm,
    power,
    proportion_correct,
    trials_needed,
    wilson_interval,
)

TRIANGLE = {
    5: (4, 5, None),
    6: (5, 6, None),
    8: (6, 7, 8),
    10: (7, 8, 9),
    15: (9, 10, 12),
    18: (10, 12, 13),
    20: (11, 13, 14),
    24: (13, 15, 16),
    30: (15, 17, 19),
    36: (18, 20, 22),
    48: (22, 25, 27),
    60: (27, 30, 33),
    96: (41, 44, 48),
}
"""Critical counts at 5, 1 and 0.1 %: FAO document v7180e, appendix A (the table of ISO 4120)."""

TWO = {
    6: (5, 6, 6, None, None),
    8: (6, 7, 7, 8, None),
    10: (7, 8, 9, 10, 10),
    12: (8, 9, 10, 11, 12),
    15: (10, 11, 12, 13, 14),
    20: (13, 14, 15, 16, 18),
    24: (15, 16, 17, 19, 20),
    30: (18, 20, 20, 22, 24),
    36: (22, 23, 24, 26, 28),
    37: (22, 23, 24, 27, 29),
    40: (24, 25, 26, 28, 31),
    48: (28, 29, 31, 33, 36),
    60: (34, 36, 37, 40, 43),
    72: (41, 42, 44, 47, 50),
    88: (49, 51, 53, 56, 59),
}
"""Critical counts at 20, 10, 5, 1 and 0.1 %, one-sided: ISO 10399 table A.1 and ISO 5495:2005 table A.1 (37 and 40), the same binomial."""


def test_critical_counts_of_the_triangle() -> None:
    """Every entry at 5, 1 and 0.1 %, dashes included; at 10 % those of n = 10, 20, 30 and 60 (FAO v7180e, ISO 4120)."""
    for trials, wanted in TRIANGLE.items():
        assert tuple(critical_count("triangle", trials, level=level) for level in (0.05, 0.01, 0.001)) == wanted, trials
    assert [critical_count("triangle", trials, level=0.1) for trials in (10, 20, 30, 60)] == [6, 10, 14, 26]


def test_critical_counts_of_two() -> None:
    """Every entry of five levels, one-sided (ISO 10399, ISO 5495); two-sided at 5 % takes half of it on either side."""
    for trials, wanted in TWO.items():
        assert tuple(critical_count("two", trials, level=level) for level in (0.2, 0.1, 0.05, 0.01, 0.001)) == wanted, trials
    assert [critical_count("two", trials, two_sided=True) for trials in (10, 20, 30, 60, 100)] == [9, 15, 21, 39, 61]


def test_no_result_from_fewer_trials_than_the_smallest_row() -> None:
    """Three triangles or five choices are the fewest that can show anything at 5 %."""
    assert [critical_count("triangle", trials) for trials in (1, 2, 3)] == [None, None, 3]
    assert [critical_count("two", trials) for trials in (1, 4, 5)] == [None, None, 5]
    found = binomial_test("two", trials=4, successes=4)
    assert (found.critical, found.verdict, found.size) == (None, "inconclusive", 0.0)


@pytest.mark.parametrize("kind", ["triangle", "two"])
def test_tests_are_those_of_the_library(kind: Kind) -> None:
    """P values and exact intervals as scipy.stats.binomtest has them, one-sided and two-sided."""
    chance = {"triangle": 1 / 3, "two": 0.5}[kind]
    for trials, successes in ((12, 9), (20, 3), (20, 20), (7, 0)):
        one = binomial_test(kind, trials=trials, successes=successes)
        library = binomtest(successes, trials, chance, alternative="greater")
        assert one.probability == pytest.approx(library.pvalue, rel=1e-9)
        interval = binomtest(successes, trials, chance).proportion_ci(0.95, method="exact")
        assert (one.share_low, one.share_high) == pytest.approx((interval.low, interval.high), abs=1e-9)
        if kind == "two":
            both = binomial_test(kind, trials=trials, successes=successes, two_sided=True)
            assert both.probability == pytest.approx(binomtest(successes, trials).pvalue, rel=1e-9)


def test_constants_of_the_theory() -> None:
    """Share of right answers at d' of 0, 1 and 2, d' of 10 in 15 (Ennis 1993; by quadrature, the last from memory)."""
    for kind, wanted in (("triangle", (1 / 3, 0.4180, 0.6048)), ("two", (0.5, 0.7602, 0.9214))):
        found = [proportion_correct(kind, d) for d in (0.0, 1.0, 2.0)]  # type: ignore[arg-type]
        assert found == pytest.approx(wanted, abs=5e-5 if kind == "two" else 1e-4)
    assert d_prime_of("triangle", 10 / 15) == pytest.approx(2.321, abs=5e-4)
    assert d_prime_of("two", 10 / 15) == pytest.approx(0.609, abs=5e-4)
    assert d_prime_of("two", 0.4) == 0.0
    assert math.isinf(d_prime_of("triangle", 1.0))


def test_power_of_the_tables() -> None:
    """Triangle, 40 % discriminators at 5 %: .755, .903, .961 for 20, 30, 40; at d' = 1 and 2 for 12, 18, 24 trials (binomial)."""
    correct = 0.4 + 0.6 / 3
    assert [power("triangle", n, correct=correct) for n in (20, 30, 40)] == pytest.approx([0.755, 0.903, 0.961], abs=5e-4)
    for kind, d, wanted in (
        ("triangle", 1.0, (0.07, 0.17, 0.15)),
        ("triangle", 2.0, (0.45, 0.75, 0.80)),
        ("two", 1.0, (0.42, 0.75, 0.80)),
        ("two", 2.0, (0.94, 1.00, 1.00)),
    ):
        share = proportion_correct(kind, d)  # type: ignore[arg-type]
        assert [power(kind, n, correct=share) for n in (12, 18, 24)] == pytest.approx(wanted, abs=5.1e-3)  # type: ignore[arg-type]


def test_power_is_not_monotone_and_the_trials_needed_allow_for_it() -> None:
    """18 triangles at d' = 1 find more than 24 do; from the number given on, no further one falls below what was wanted."""
    share = proportion_correct("triangle", 1.0)
    assert power("triangle", 24, correct=share) < power("triangle", 18, correct=share)
    right = proportion_correct("two", 1.0)
    needed = trials_needed("two", correct=right)
    assert needed is not None
    assert all(power("two", n, correct=right) >= 0.8 for n in range(needed, 200))
    assert power("two", needed - 1, correct=right) < 0.8
    assert trials_needed("triangle", correct=0.34) is None


@pytest.mark.parametrize("kind", ["triangle", "two"])
def test_null_data_reject_as_often_as_the_exact_size_says(kind: Kind) -> None:
    """10,000 seeded tests of guesses: rejected within half a percentage point of the exact size, which is never above 5 %."""
    rng = np.random.default_rng(11)
    chance = {"triangle": 1 / 3, "two": 0.5}[kind]
    for trials in (12, 24, 36):
        size = exact_size(kind, trials)
        critical = critical_count(kind, trials)
        assert critical is not None
        rejected = float((rng.binomial(trials, chance, 10_000) >= critical).mean())
        print(f"{kind}, {trials} trials: exact size {100 * size:.2f} %, rejected {100 * rejected:.2f} %")
        assert size <= 0.05
        assert rejected == pytest.approx(size, abs=0.005)


def test_simulated_power_is_the_printed_power() -> None:
    """10,000 seeded tests of a player with d' = 1.5: found as often as said, within 1.5 points."""
    rng = np.random.default_rng(12)
    kinds: tuple[Kind, ...] = ("triangle", "two")
    for kind in kinds:
        share = proportion_correct(kind, 1.5)
        critical = critical_count(kind, 24) or 25
        found = float((rng.binomial(24, share, 10_000) >= critical).mean())
        assert found == pytest.approx(power(kind, 24, correct=share), abs=0.015)


def test_holm_is_that_of_the_library() -> None:
    """As statsmodels adjusts them, ties and ones included."""
    for values in ([0.01, 0.04, 0.03], [0.5, 0.001, 0.001, 0.2, 1.0], [0.02]):
        assert holm(values) == pytest.approx(multipletests(values, method="holm")[1])
    assert holm([]) == []


def test_wilson_intervals_of_newcombe() -> None:
    """81/263, 15/148, 0/20, 1/29: Newcombe 1998 table I (from memory), and as statsmodels has them."""
    for count, trials, wanted in (
        (81, 263, (0.2553, 0.3662)),
        (15, 148, (0.0624, 0.1605)),
        (0, 20, (0.0, 0.1611)),
        (1, 29, (0.0061, 0.1718)),
    ):
        assert wilson_interval(count, trials) == pytest.approx(wanted, abs=5e-5)
        assert wilson_interval(count, trials) == pytest.approx(proportion_confint(count, trials, method="wilson"), abs=1e-9)
    with pytest.raises(ValueError, match="one trial or more"):
        wilson_interval(3, 2)


@pytest.mark.parametrize(("trials", "level"), [(0, 0.05), (5, 0.0), (5, 1.0)])
def test_what_cannot_be_tested_is_refused(trials: int, level: float) -> None:
    """No trial, or a level that is none."""
    with pytest.raises(ValueError, match="one trial or more"):
        critical_count("two", trials, level=level)
    with pytest.raises(ValueError, match="0 to 5 answers"):
        binomial_test("two", trials=5, successes=6)


def test_two_sided_power_counts_both_ends() -> None:
    """The sum of the binomial's own terms at and beyond the critical count either way; where nobody can tell it is the size of the test."""
    for correct in (0.5, 0.7):
        critical = critical_count("two", 40, two_sided=True)
        assert critical is not None
        terms = [math.comb(40, k) * correct**k * (1 - correct) ** (40 - k) for k in range(41)]
        wanted = sum(term for k, term in enumerate(terms) if k >= critical or k <= 40 - critical)
        assert power("two", 40, correct=correct, two_sided=True) == pytest.approx(wanted, rel=1e-9)
        assert wanted > sum(terms[critical:])

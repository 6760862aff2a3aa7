"""Twenty seeded houses of the demo rule: does the blend beat both its parts? ``make houses``.

Everything is invented; the figures prove the machinery and say nothing about the world. The seeds are 1 to 20 and the rule is that of
the shipped demo house: neither is ever changed to get a better figure.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from make_demo import make
from scipy.stats import t as student

import matchkit as mk
from matchkit.learn.trial.evaluation import ALONE, Evaluation, evaluate_tests
from matchkit.learn.trial.folds import SPLITS

HOUSES = 20


def evaluate_house(seed: int) -> Evaluation:
    """Make one house and evaluate it, variances learned inside every fold."""
    with tempfile.TemporaryDirectory() as folder:
        make(Path(folder), seed)
        learner = mk.open(folder, cache=False).learner
        return evaluate_tests(learner.rated_tests, plain=False, rescore=learner.rated_from)


def paired(first: list[float], second: list[float]) -> tuple[float, float, float]:
    """Mean difference and its 95 % interval (Student, paired by house)."""
    off = np.array(first) - np.array(second)
    half = float(student.ppf(0.975, len(off) - 1) * off.std(ddof=1) / np.sqrt(len(off)))
    return float(off.mean()), float(off.mean() - half), float(off.mean() + half)


def main(houses: int = HOUSES) -> None:
    """Evaluate and print."""
    found = list(Parallel(n_jobs=2)(delayed(evaluate_house)(seed) for seed in range(1, houses + 1)))
    print(f"{houses} houses of the demo rule, seeds 1 to {houses}; invented data. Means over houses:")
    print(f"{'held out':16}{'method':18}{'NDCG@5':>8}{'tau':>8}{'error':>8}{'inside':>8}{'width':>8}")
    for split in SPLITS:
        for method in ALONE:
            scores = [evaluation.score(split, method) for evaluation in found]
            cover = (
                np.nanmean([score.coverage if score.coverage is not None else np.nan for score in scores])
                if method == "blend"
                else np.nan
            )
            width = (
                np.nanmean([score.width if score.width is not None else np.nan for score in scores])
                if method == "blend"
                else np.nan
            )
            taus = [score.kendall_tau for score in scores if np.isfinite(score.kendall_tau)]
            tau = float(np.mean(taus)) if taus else float("nan")
            ndcg, error = (float(np.mean([getattr(score, name) for score in scores])) for name in ("ndcg", "error"))
            print(f"{split:16}{method:18}{ndcg:8.3f}{tau:8.3f}{error:8.3f}{cover:8.3f}{width:8.2f}")
    print("\nblend minus its parts, paired by house, with 95 % intervals:")
    for split in SPLITS:
        for part in ("physics alone", "marks alone"):
            for name in ("ndcg", "error"):
                pairs = [[getattr(e.score(split, method), name) for e in found] for method in ("blend", part)]
                mean, low, high = paired(*pairs)
                print(f"{split:16}{part:18}{name:8}{mean:+8.4f}  ({low:+.4f} to {high:+.4f})")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))

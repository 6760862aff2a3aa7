"""What a shop asks of its model: train it, evaluate it, compare two."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from matchkit.advise.requests import check_request
from matchkit.errors import ModelError, RequestError, SourceError
from matchkit.files import write_whole
from matchkit.house.rooms import Rooms
from matchkit.learn.model.file import load_model, save_model
from matchkit.learn.model.found import FoundModel, belonging_of
from matchkit.results import Progress

if TYPE_CHECKING:
    from matchkit.learn.trained import Trained
    from matchkit.learn.trial.evaluation import Compared, Evaluation


class LearningQuestions(Rooms):
    """What a shop asks of its model: train it, evaluate it, compare two."""

    def train(self, out: str | Path | None = None, *, progress: Progress | None = None) -> Trained:
        """Learn how far marks vary from this house's playtests, fit the model, and write it with its card.

        Parameters
        ----------
        out
            file to write; by default ``model.npz`` in a folder of tables, ``shop.model.npz`` beside ``shop.sqlite`` or ``shop.xlsx``
        progress
            called with folds of the card done and folds in all

        Returns
        -------
        Trained
            the file that was written, and what training changed of the answers

        Raises
        ------
        ModelError
            where the place cannot be written, or there is none
        RequestError
            where no playtest has a mark
        """
        from matchkit.learn.trained import Trained, moved_by
        from matchkit.learn.trial.evaluation import grouped_figures
        from matchkit.words.playtest.learned import model_card

        if not self.scorer.marked:
            raise RequestError("there is no rated playtest to learn from: ranking goes by physics alone, and needs no model")
        path = self._beside if out is None else Path(out)
        if path is None:
            raise ModelError("the demo house or a record on a server has no place for it: name a file for the model")
        learner = self.learner
        before = learner.blend
        blend, belonging = learner.train(), belonging_of(learner, self._rules)
        tests = learner.rated_tests
        save_model(blend, tests, path, belonging=belonging)
        figures, coverage = grouped_figures(tests, blend.variances, rescore=learner.rated_from, progress=progress)
        card = model_card(path.name, blend, tests, figures, coverage=coverage, belonging=belonging, invented=self.demo)
        try:
            write_whole(path.with_suffix(".md"), lambda file: file.write(card.encode()))
        except SourceError as error:
            raise ModelError(str(error)) from error
        self._found = FoundModel(path.name, blend, belonging)
        self.__dict__.pop("_settled", None)
        return Trained(path, blend.tests, moved_by(before, blend))

    def evaluate(self, *, nested: bool = True, jobs: int = 1, progress: Progress | None = None) -> Evaluation:
        """Say how well the model predicts playtests of this house that it has not seen, beside plain methods.

        Parameters
        ----------
        nested
            learn anew in every fold how far marks vary, and ask ridge, forest, boosting and a Gaussian process too; otherwise the priors are taken
        jobs
            how many processes share the folds
        progress
            called with folds done and folds in all

        Returns
        -------
        Evaluation
            error, NDCG@5, Kendall's tau and coverage, by what is held out and by method

        Raises
        ------
        RequestError
            for too few playtests
        """
        from matchkit.learn.trial.evaluation import evaluate_tests

        check_request(jobs=jobs)
        learner = self.learner
        return evaluate_tests(
            learner.rated_tests, nested=nested, plain=nested, rescore=learner.rated_from, jobs=jobs, progress=progress
        )

    def compare_models(self, first: str | Path, second: str | Path) -> Compared:
        """Compare two model files on this house's playtests: on later ones that neither had seen, where there are enough.

        What differs is how far they take marks to vary: each is solved anew with its own variances.

        Parameters
        ----------
        first, second
            files that ``train`` wrote

        Returns
        -------
        Compared
            differences of error and NDCG@5 with their intervals over players

        Raises
        ------
        ModelError
            for a file that is no model
        RequestError
            for too few playtests
        """
        from matchkit.learn.trial.evaluation import Compared, compare_models

        one, other = (load_model(Path(path))[0] for path in (first, second))
        learner = self.learner
        found = compare_models(learner.rated_tests, one, other, rescore=learner.rated_from)
        return Compared((str(first), str(second)), *found)

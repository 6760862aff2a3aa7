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
    from matchkit.learn.trial.evaluation import Compared, Evaluation


class LearningQuestions(Rooms):
    """What a shop asks of its model: train it, evaluate it, compare two."""

    def train(self, out: str | Path | None = None, *, jobs: int = 1, progress: Progress | None = None) -> Path:
        """Choose settings on this house's playtests, fit the model, and write it with its card.

        Parameters
        ----------
        out
            file to write; by default ``model.npz`` beside the tables
        jobs
            how many processes share the work
        progress
            called with steps done and steps in all

        Returns
        -------
        Path
            the file that was written

        Raises
        ------
        ModelError
            where the place cannot be written, or there is none
        RequestError
            where no playtest has a mark
        """
        from matchkit.learn.trial.evaluation import grouped_figures
        from matchkit.words.playtest.learned import model_card

        if not self.scorer.marked:
            raise RequestError("there is no rated playtest to learn from: ranking goes by physics alone, and needs no model")
        check_request(jobs=jobs)
        path = self._beside if out is None else Path(out)
        if path is None:
            raise ModelError("the demo house or a record on a server has no place for it: name a file for the model")
        learner = self.learner
        blend, belonging = learner.train(jobs=jobs, progress=progress), belonging_of(learner, self._rules)
        save_model(blend, learner.rated_tests, path, belonging=belonging)
        tests = learner.rated_tests
        figures = grouped_figures(tests, self.parts.ligatures, blend.settings)
        card = model_card(path.name, blend, tests, figures, belonging=belonging, invented=self.demo)
        try:
            write_whole(path.with_suffix(".md"), lambda file: file.write(card.encode()))
        except SourceError as error:
            raise ModelError(str(error)) from error
        self._found = FoundModel(path.name, blend, belonging)
        self.__dict__.pop("_settled", None)
        return path

    def evaluate(self, *, nested: bool = True, jobs: int = 1, progress: Progress | None = None) -> Evaluation:
        """Say how well the model predicts playtests of this house that it has not seen.

        Parameters
        ----------
        nested
            choose the settings anew in every fold, which is honest and slow
        jobs, progress
            as :meth:`train`

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
        return evaluate_tests(self.learner.rated_tests, self.parts.ligatures, nested=nested, jobs=jobs, progress=progress)

    def compare(self, first: str | Path, second: str | Path) -> Compared:
        """Compare two model files on this house's playtests, held out alike.

        What differs is what they chose: each is fitted anew in every fold with its own settings.

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
        from matchkit.learn.trial.evaluation import Compared, compare_settings

        one, other = (load_model(Path(path))[0].settings for path in (first, second))
        return Compared((str(first), str(second)), compare_settings(self.learner.rated_tests, self.parts.ligatures, one, other))

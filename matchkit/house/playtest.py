"""What a shop asks of its playtests: how to plan them, what they show, what to play next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from matchkit.house.rooms import Rooms
from matchkit.results import Progress

if TYPE_CHECKING:
    from matchkit.playtest.changed import Changed
    from matchkit.playtest.design.plan import Plan
    from matchkit.playtest.next import ToPlay
    from matchkit.playtest.stats.analyse import Analysis


class PlaytestQuestions(Rooms):
    """What a shop asks of its playtests: how to plan them, what they show, what to play next."""

    def plan(self, kind: str, sets: Sequence[str], *, players: Sequence[str], **options: Any) -> Plan:
        """Plan a blind playtest.

        Parameters
        ----------
        kind
            rate, two or triangle
        sets
            set-ups, each mouthpiece/reed/ligature by their ids
        players
            ids
        options
            those of :func:`matchkit.playtest.design.plan.plan_test` and :func:`~matchkit.playtest.design.plan.plan_rating`

        Raises
        ------
        UnknownIdError
            for an id in no table
        RequestError
            for parts that do not fit, options that the kind has not, and plans that could show nothing

        Examples
        --------
        >>> import matchkit as mk
        >>> house = mk.open()
        >>> house.plan("triangle", ("AM-05/AR-A-2.5", "AM-08/AR-A-2.5"), players=("P02",)).power.critical
        13
        """
        from matchkit.playtest.questions import planned

        return planned(self.tables, kind, sets, players=players, options=options)

    def analyse(self, *, session: str | None = None, claim: str | None = None) -> Analysis:
        """Say what the blind trials and playtests of this house show.

        Parameters
        ----------
        session
            only those of one session, by its name or what its names begin with
        claim
            a set-up that was said beforehand to have more of what was asked

        Raises
        ------
        RequestError
            where there is nothing to analyse

        Examples
        --------
        >>> import matchkit as mk
        >>> [item.verdict for item in mk.open().analyse(session="LIG").comparisons]
        ['these players', 'inconclusive']
        """
        from matchkit.playtest.questions import analysed

        return analysed(self.tables, self.learner, session=session, claim=claim)

    def changed(self, ids: Sequence[str]) -> Changed:
        """Say what playtests of this house change of what is expected, at once and without training.

        Parameters
        ----------
        ids
            those of the playtests, as :meth:`~matchkit.playtest.log.Logged` names them

        Returns
        -------
        Changed
            the mark to expect with and without them, for each set-up and player; nothing for ids that are in no table

        Raises
        ------
        DataError
            where the tables cannot be read

        Examples
        --------
        >>> import matchkit as mk
        >>> len(mk.open().changed(["T0001"]).changes)
        1
        """
        from matchkit.playtest.changed import what_changed

        return what_changed(self.learner, ids)

    def next(
        self, player: str | None = None, *, count: int = 8, in_stock: bool = False, progress: Progress | None = None
    ) -> ToPlay:
        """Say which set-ups to play next to learn most, for one player or over all of them.

        Worth is the rating that a playtest is expected to move across the edge of a player's top five, for what it costs
        (:mod:`matchkit.playtest.next`).

        Parameters
        ----------
        player
            an id; without one, over all players
        count
            how many, 1 to 200
        in_stock
            leave out what is counted as 0
        progress
            called with players done and players in all

        Raises
        ------
        UnknownIdError
            for a player in no table
        RequestError
            for a count that cannot be meant

        Examples
        --------
        >>> import matchkit as mk
        >>> [test.position for test in mk.open().next("P02", count=2).rows]
        [1, 2]
        """
        from matchkit.playtest.questions import to_play_next

        return to_play_next(self.learner, player, count=count, in_stock=in_stock, model=self.model, progress=progress)

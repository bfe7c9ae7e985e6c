"""What a coffee's scores say, as every page, card and report reads them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from labkit.analysis import (
    SEED,
    Answer,
    AttributeReadings,
    CheckedTerms,
    PairReading,
    Reading,
    Recommendation,
    SaltsReading,
    check_all_that_apply,
    last_answer,
    leaving_out,
    most_used,
    read_attributes,
    read_coffee,
    read_tests,
    scored_only,
)
from labkit.book import LabBook, LeftOut, on_chosen_scales
from labkit.boundary import checked
from labkit.errors import LabkitError, ReadingError
from labkit.shown import Shown
from labkit.water import COORDINATE, COORDINATES, Target, levels_of, same_water
from labkit.workflow.kept import reading_of

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings(Shown):
    """What the scores of one coffee say, and what was left out on the way."""

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    attribute: str
    """The score, or the list of words, that was read."""

    left_out: LeftOut
    """Tasters and sessions whose scores were not read."""

    scores: pd.DataFrame
    """The opened scores that were read from, tests of two waters among them."""

    reading: Reading | None
    """What the score says; None for a list of words, or if nothing but tests was opened."""

    words: CheckedTerms | None
    """What a list of words says; None for a score."""

    tests: tuple[PairReading, ...]
    """Every test of two waters, in the order of sessions."""

    answer: Answer | None
    """What the latest test of the recommended water against the control said; None without."""

    effect: pd.DataFrame | None
    """What leaving out changes: two rows, as `leaving_out` gives them; None if nothing is."""

    no_effect: str
    """Why that cannot be told, in a sentence; else empty."""

    @property
    def water(self) -> Target | None:
        """The recommended water; None if none can be recommended."""
        return (
            None if self.reading is None or self.reading.best is None else self.reading.best.target
        )

    @property
    def salts(self) -> tuple[SaltsReading, ...]:
        """Comparisons of salts, the one nearest to the recommended water first."""
        if self.reading is None:
            return ()
        water = self.water
        if water is None:
            return self.reading.salts
        return tuple(sorted(self.reading.salts, key=lambda one: _distance(one.at, water)))

    @property
    def with_salts(self) -> Target | None:
        """The recommended water, of the salts that were found best, in it or nearest to it.

        Without such a finding the bottles decide. Of a coffee of which nothing but salts was
        compared it is the best of them, where one was found.
        """
        water = self.water
        alone = self.reading is not None and self.reading.has_only_salts
        for one in self.salts:
            if one.best is None or not len(one.told_from):
                continue
            if water is None and alone:
                water = one.at
            if water is not None and one.share not in water.salt_shares:
                water = replace(water, **{one.share: one.best})
        return water

    @property
    def salts_from_elsewhere(self) -> bool:
        """Whether its salts were compared at another hardness, alkalinity or Ca:Mg."""
        water, target = self.water, self.with_salts
        if water is None or target is None:
            return False
        used = {one.share: one.at for one in reversed(self.salts) if len(one.told_from)}
        here = [same_water(levels_of(water), levels_of(used[name])) for name in target.salt_shares]
        return not all(here)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What was opened of one coffee, blind flights only: what there is to read."""

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    scores: pd.DataFrame
    """The scores frame, tests of two waters among the scores."""

    words: pd.DataFrame
    """The words frame."""

    left_out: LeftOut
    """What the lab book says is left out."""

    chosen_scales: Mapping[str, str]
    """The scale that is read, by attribute, where the lab book says that one was chosen."""

    @property
    def scored(self) -> pd.DataFrame:
        """The scores without the marks of tests of two waters."""
        return scored_only(self.scores)

    @property
    def tests(self) -> tuple[PairReading, ...]:
        """Every test of two waters, in the order of sessions."""
        return read_tests(self.scores)

    @property
    def attributes(self) -> tuple[str, ...]:
        """What was scored, the overall score first."""
        names = self.scored["attribute"].unique()
        return tuple(sorted(map(str, names), key=lambda one: (one != "overall", one)))

    @property
    def lists_of_words(self) -> tuple[str, ...]:
        """The lists from which words were checked."""
        return tuple(sorted(map(str, self.words["attribute"].unique())))

    def scales(self, attribute: str, brew_method: str) -> tuple[str, ...]:
        """The scales on which a score was given, the one that is read by itself first.

        Parameters
        ----------
        attribute : str
            What was scored.
        brew_method : str
            How it was brewed.
        """
        frame = self.scored
        here = (frame["attribute"] == attribute) & (frame["brew_method"] == brew_method)
        names = tuple(map(str, most_used(frame[here], "scale").index))
        chosen = self.chosen_scales.get(attribute)
        return tuple(sorted(names, key=lambda name: name != chosen))

    def read(
        self,
        attribute: str = "overall",
        *,
        brew_method: str | None = None,
        scale: str | None = None,
        left_out: LeftOut | None = None,
    ) -> Findings:
        """What one score or list of words says; arguments as for :func:`read`.

        Parameters
        ----------
        attribute : str
            What was scored, or ``words`` for what was checked.
        brew_method : str, optional
            How it was brewed; with None, as most cups were.
        scale : str, optional
            The scale it was given on; where there were several, the one that was chosen for this
            coffee is read if none is given, else the one of most scores.
        left_out : LeftOut, optional
            Tasters or scores to leave out, and why.
        """
        chosen = self.left_out if left_out is None else left_out
        tests, scored = self.tests, self.scored
        kept = chosen.keep(self.scores)
        reading, words, effect, no_effect = None, None, None, ""
        if attribute in self.lists_of_words:
            words = self._checked(attribute, chosen)
        elif scored.empty and not tests:
            raise ReadingError(
                "no blind flight of this coffee is open. Lock one under Taste and open its key."
            )
        elif not scored.empty:
            here = scored[scored["attribute"] == attribute]
            here = here if brew_method is None else here[here["brew_method"] == brew_method]
            by_choice = self.chosen_scales.get(attribute)
            if scale is None and (here["scale"] == by_choice).any():
                scale = by_choice
            tasters = [one for one in chosen.tasters if one in set(here["taster"])]
            sessions = [one for one in chosen.sessions if one in set(here["session"])]
            reading = read_coffee(
                self.scores,
                attribute,
                brew_method=brew_method,
                scale=scale,
                without_tasters=tasters,
                without_sessions=sessions,
            )
            if tasters or sessions:
                try:
                    effect = leaving_out(
                        self.scores,
                        tasters,
                        attribute,
                        sessions=sessions,
                        brew_method=brew_method,
                        scale=scale,
                    )
                except LabkitError as error:
                    no_effect = str(error)
        recommended = None if reading is None else reading.recommended
        return Findings(
            client=self.client,
            coffee=self.coffee,
            attribute=attribute,
            left_out=chosen,
            scores=kept,
            reading=reading,
            words=words,
            tests=tests,
            answer=None if recommended is None else _answer_on(recommended, kept),
            effect=effect,
            no_effect=no_effect,
        )

    def read_each(
        self, *, brew_method: str | None = None, left_out: LeftOut | None = None
    ) -> AttributeReadings:
        """Every score that was given, side by side.

        Parameters
        ----------
        brew_method : str, optional
            How it was brewed; with None, as most cups were.
        left_out : LeftOut, optional
            Tasters or scores to leave out, and why.
        """
        chosen = self.left_out if left_out is None else left_out
        scored = on_chosen_scales(chosen.keep(self.scored), self.chosen_scales)
        return read_attributes(scored, brew_method=brew_method)

    def _checked(self, attribute: str, chosen: LeftOut) -> CheckedTerms:
        import numpy as np

        words = chosen.keep(self.words[self.words["attribute"] == attribute])
        ticks = words.rename(columns={"word": "term", "is_checked": "ticked"})
        return check_all_that_apply(ticks, seed=np.random.default_rng(SEED))


def _distance(one: Target, other: Target) -> float:
    """How far waters lie apart, in usual ranges of the coordinates."""
    steps = [
        (a - b) / (COORDINATE[name].high - COORDINATE[name].low)
        for name, a, b in zip(COORDINATES, levels_of(one), levels_of(other), strict=True)
    ]
    return sum(step**2 for step in steps)


def _answer_on(recommended: Recommendation, scores: pd.DataFrame) -> Answer | None:
    """What the last test said of the recommended water against its control."""
    if recommended.control is None or recommended.is_control:
        return None
    return last_answer(scores, recommended.water, recommended.control)


@checked(ReadingError)
def opened(book: LabBook, coffee: str, *, client: str | None = None) -> Opened:
    """What was opened of a coffee: what there is to read.

    Parameters
    ----------
    book : LabBook
        The lab book.
    coffee : str
        Which coffee.
    client : str, optional
        Whose coffee it is; needed where two clients have one of that name.

    Raises
    ------
    BookError
        If there is no such coffee, or two clients have one of that name and none is said.
    """
    about = book.people.coffee(coffee, client=client)
    return Opened(
        client=about.client,
        coffee=about.name,
        scores=book.scores.opened_scores(coffee=about.name, client=about.client),
        words=book.scores.opened_words(coffee=about.name, client=about.client),
        left_out=book.sessions.left_out(about.name, client=about.client),
        chosen_scales=book.sessions.chosen_scales(about.name, client=about.client),
    )


@checked(ReadingError)
def read(
    book: LabBook,
    coffee: str,
    *,
    client: str | None = None,
    attribute: str = "overall",
    brew_method: str | None = None,
    scale: str | None = None,
    left_out: LeftOut | None = None,
) -> Findings:
    """What the opened scores of one coffee say.

    Parameters
    ----------
    book : LabBook
        Where the coffee is.
    coffee, client : str
        Which coffee; whose it is only where two clients have one of that name.
    attribute : str
        Which score, or which list of words.
    brew_method, scale : str, optional
        The most used unless given, or the scale chosen for this coffee; they are never pooled.
    left_out : LeftOut, optional
        Whose scores are not read; what the lab book has recorded unless given.

    Raises
    ------
    BookError
        If there is no such coffee.
    ReadingError
        If nothing is open, or nothing can be read.
    """
    return opened(book, coffee, client=client).read(
        attribute, brew_method=brew_method, scale=scale, left_out=left_out
    )


@checked(ReadingError)
def best_levels(book: LabBook, coffee: str, *, client: str | None = None) -> Mapping[str, float]:
    """The levels that a coffee's scores call best, by coordinate.

    Empty while nothing was tasted or this panel could see no difference.

    Parameters
    ----------
    book : LabBook
        The lab book.
    coffee : str
        Which coffee.
    client : str, optional
        Whose coffee it is; needed where two clients have one of that name.
    """
    about = book.people.coffee(coffee, client=client)
    reading = reading_of(book, (about.client, about.name))
    if reading is None or reading.best is None or not reading.is_found:
        return {}
    return {one.factor: round(one.best, 3) for one in reading.best.factor_ranges}

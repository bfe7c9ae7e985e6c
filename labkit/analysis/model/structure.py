"""Which model the design can carry: the terms of the surface, the blocks, the chance components."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import sparse

from labkit.analysis.model.coding import (
    Coding,
    Floats,
    Term,
    coding_of,
    second_order_terms,
    term_matrix,
)
from labkit.analysis.model.mixed import Component, identifiable
from labkit.analysis.model.noted import Note
from labkit.analysis.model.reml import Columns
from labkit.analysis.model.scores import Scores
from labkit.errors import ReadingError
from labkit.noted import Noted, noted
from labkit.water import COORDINATES

FEWEST_RANDOM_BLOCKS: Final = 5
"""Sessions or flights below this number are fixed effects (a variance of three means little)."""

TOLERANCE: Final = 0.1
"""A term with less than this share of its length left, after the terms before, is not estimated."""

FEWEST_GUESTS: Final = 50
"""Tasters from which a claim about guests may be made (common practice: 50 to 100)."""

MOST_EFFECTS: Final = 900
"""Random effects that a fit may have altogether."""

OWN: Final = ("taster:water", "taster:flight")
"""Components of one taster alone beside level and slopes."""

FEWEST_BOWL_DF: Final = 3
"""Independent differences between bowls that it takes to estimate their spread."""

FEWEST_TOLD: Final = 3
"""Independent effects of a component that together hide little when its variance comes out as
zero: slopes of four tasters, and the single waters of three. Three slopes have but two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """The model for one set of scores, before it is fitted."""

    coding: Coding
    """Factors of the surface."""

    terms: tuple[Term, ...]
    """Terms of the surface beside its level."""

    fixed: Floats
    """Level, terms, then contrasts between blocks that sum to zero; shape (n, p)."""

    components: tuple[Component, ...]
    """Chance components that the design can tell apart."""

    columns: Columns
    """``fixed`` and ``components`` side by side, ready to be fitted."""

    held: Floats
    """Where the coordinates stayed that did not vary, shape (3,)."""

    cannot_tell: tuple[Noted[Note], ...]
    """What this design cannot tell."""

    choices: tuple[Noted[Note], ...]
    """What was chosen for it."""

    @property
    def n_surface(self) -> int:
        """Columns of ``fixed`` that make the surface: the level and its terms."""
        return 1 + len(self.terms)


def build_model(scores: Scores) -> Model:
    """The richest second-order model that these scores can carry; the cups alone decide."""
    return scores.once("surface", lambda: _build_model(scores))


def _build_model(scores: Scores) -> Model:
    waters = scores.waters
    coding = coding_of(waters)
    held = np.median(waters, axis=0)
    cannot = [
        noted(Note.HELD, name=name, level=float(held[place]))
        for place, name in enumerate(COORDINATES)
        if name not in coding.names
    ]
    blocks, components, choices = block_effects(scores)
    coded = coding.code(waters)
    terms, refused = _estimable_terms(coded, blocks, room=_room(scores, blocks))
    cannot += _refused(refused, terms, coding, coded, blocks)
    fixed = np.column_stack([np.ones(len(coded)), term_matrix(coded, terms), blocks])
    if fixed.shape[1] >= len(fixed):
        raise ReadingError(
            f"scores must be more than the {blocks.shape[1] + 1} flights that they lie in, got "
            f"{len(fixed)}: nothing is left to tell waters by. Taste more cups in each.",
            field="scores",
        )
    components = taster_components(scores, coding, coded, terms) + components
    bowl, is_mixed_once = bowl_component(scores, fixed)
    if bowl is not None:
        components.append(bowl)
    if is_mixed_once:
        cannot.append(noted(Note.MIXED_ONCE))
    components, left_out = affordable(components)
    kept, dropped, columns = identifiable(fixed, components)
    cannot += _of_tasters(dropped, scores)
    if not _is_linked(scores):
        cannot.append(noted(Note.NOT_LINKED))
    return Model(
        coding=coding,
        terms=tuple(terms),
        fixed=fixed,
        components=tuple(kept),
        columns=columns,
        held=held,
        cannot_tell=tuple(cannot),
        choices=(*choices, *left_out),
    )


def centred_contrasts(labels: Sequence[str]) -> Floats:
    """Columns that compare groups with their plain average, shape (n, groups - 1)."""
    names, place = np.unique(np.asarray(labels, dtype=str), return_inverse=True)
    columns = np.zeros((len(labels), len(names)))
    columns[np.arange(len(labels)), place] = 1.0
    contrasts: Floats = columns[:, :-1] - columns[:, -1:]
    return contrasts


def block_effects(scores: Scores) -> tuple[Floats, list[Component], list[Noted[Note]]]:
    """Fixed contrasts between sessions or flights, random ones, and what was chosen."""
    return scores.once("blocks", lambda: _block_effects(scores))


def _block_effects(scores: Scores) -> tuple[Floats, list[Component], list[Noted[Note]]]:
    session, block = scores.column("session"), scores.column("block")
    n_sessions, n_blocks = len(np.unique(session)), len(np.unique(block))
    components: list[Component] = []
    choices: list[Noted[Note]] = []
    fixed = np.empty((len(session), 0))
    if n_blocks == 1:
        return fixed, components, choices
    if n_blocks < FEWEST_RANDOM_BLOCKS:
        fixed = centred_contrasts(list(block))
        choices.append(noted(Note.FLIGHT_LEVELS, n=n_blocks))
    else:
        if n_sessions >= FEWEST_RANDOM_BLOCKS:
            components.append(Component.grouped("session", session))
            choices.append(noted(Note.SESSIONS_BY_CHANCE, n=n_sessions))
        elif n_sessions > 1:
            fixed = centred_contrasts(list(session))
            choices.append(noted(Note.SESSION_LEVELS, n=n_sessions))
        if n_blocks > n_sessions:
            components.append(Component.grouped("flight", block))
    taster_block = np.char.add(np.char.add(scores.tasters, " | "), block)
    components.append(Component.grouped("taster:flight", taster_block))
    return fixed, components, choices


def affordable(components: Sequence[Component]) -> tuple[list[Component], list[Noted[Note]]]:
    """Components while their effects together stay few enough to be fitted in a second or two.

    What all tasters share comes before what is one taster's own, which averages out over them.
    What is left out goes into the residual, and is noted.
    """
    kept: list[Component] = []
    left_out = []
    for component in sorted(components, key=lambda one: one.name in OWN):
        if sum(len(one.labels) for one in kept) + len(component.labels) <= MOST_EFFECTS:
            kept.append(component)
        else:
            n = len(component.labels)
            left_out.append(noted(Note.NOT_APART, component=component.name, n=n))
    return kept, left_out


def _room(scores: Scores, blocks: Floats) -> int:
    """How many terms the scores and recipes can carry beside level and blocks."""
    n_recipes = len(np.unique(scores.column("recipe")))
    return max(min(n_recipes - 1, len(scores.score) - int(blocks.shape[1]) - 3), 0)


def _estimable_terms(coded: Floats, blocks: Floats, *, room: int) -> tuple[list[Term], list[Term]]:
    """Slopes, bends and twists in this order, as long as each adds something of its own."""
    basis = np.linalg.qr(np.column_stack([np.ones(len(coded)), blocks]))[0]
    kept: list[Term] = []
    refused: list[Term] = []
    for term in second_order_terms(coded.shape[1]):
        column = term_matrix(coded, [term])[:, 0]
        centred = column - column.mean()
        rest = centred - basis @ (basis.T @ centred)
        rest -= basis @ (basis.T @ rest)
        length, left = np.linalg.norm(centred), np.linalg.norm(rest)
        parents = all((place,) in kept for place in term) if len(term) == 2 else True
        if parents and len(kept) < room and length > 0 and left > TOLERANCE * length:
            kept.append(term)
            basis = np.column_stack([basis, rest / left])
        else:
            refused.append(term)
    return kept, refused


def _refused(
    refused: Sequence[Term], kept: Sequence[Term], coding: Coding, coded: Floats, blocks: Floats
) -> list[Noted[Note]]:
    """Why terms are not in the model."""
    why = []
    names = coding.names
    for term in refused:
        if len(term) == 1:
            column = coded[:, term[0]]
            rest = column - column.mean()
            if blocks.shape[1]:
                coefficients = np.linalg.lstsq(blocks, rest, rcond=None)[0]
                rest = rest - blocks @ coefficients
            is_between = np.linalg.norm(rest) < TOLERANCE * np.linalg.norm(column - column.mean())
            kind = Note.BETWEEN_FLIGHTS if is_between else Note.TOGETHER
            why.append(noted(kind, name=names[term[0]]))
        elif (term[0],) in kept and term[0] == term[1]:
            levels = len(np.unique(coded[:, term[0]].round(6)))
            kind = Note.TWO_LEVELS if levels == 2 else Note.FEW_WATERS
            why.append(noted(kind, name=names[term[0]]))
        elif (term[0],) in kept and (term[1],) in kept:
            why.append(noted(Note.NO_INTERACTION, name=names[term[0]], other=names[term[1]]))
    return why


def taster_components(
    scores: Scores, coding: Coding, coded: Floats, terms: Sequence[Term]
) -> list[Component]:
    """What tasters differ in by chance: level, slope of each factor kept, single waters."""
    tasters = scores.tasters
    found = [Component.grouped("taster", tasters)]
    found += [
        Component.grouped(
            f"taster:{name}",
            tasters,
            times=coded[:, place],
            keep_at_zero=True,
        )
        for place, name in enumerate(coding.names)
        if (place,) in terms
    ]
    pairs = np.char.add(np.char.add(tasters, " | "), scores.column("recipe"))
    found.append(Component.grouped("taster:water", pairs, keep_at_zero=True))
    return found


def bowl_component(scores: Scores, fixed: Floats) -> tuple[Component | None, bool]:
    """The bowl's own spread: mixing and brewing slips that all met; whether none was made twice."""
    recipe, bowl = scores.column("recipe"), scores.column("bowl")
    component = Component.grouped("bowl", bowl)
    again = len(np.unique(np.char.add(recipe, bowl))) - len(np.unique(recipe))
    many = len(component.labels) > MOST_EFFECTS
    spare = len(component.labels) if many else _rank_beyond(fixed, component)
    usable = spare >= FEWEST_BOWL_DF and len(np.unique(scores.tasters)) > 1
    return (component if usable else None), again == 0


def told_at_zero(fixed: Floats, components: Sequence[Component]) -> list[Component]:
    """The same components, of which those that hide little cost nothing where they are zero.

    A component left out at zero gives its degrees of freedom back, and with few independent
    effects loses coverage: they may have come out alike by chance.
    """

    def hides(one: Component) -> bool:
        surely_not = len(one.labels) - fixed.shape[1] >= FEWEST_TOLD
        return one.keep_at_zero and not surely_not and _rank_beyond(fixed, one) < FEWEST_TOLD

    return [replace(one, keep_at_zero=hides(one)) for one in components]


def _rank_beyond(fixed: Floats, component: Component) -> int:
    """Independent differences between a component's groups beyond the fixed effects."""
    matrix = component.matrix
    onto = matrix.T @ np.linalg.qr(fixed)[0]
    return int(np.linalg.matrix_rank((matrix.T @ matrix).toarray() - onto @ onto.T, hermitian=True))


def _is_linked(scores: Scores) -> bool:
    """Whether flights and sessions hang together through waters served in several."""
    blocks, block = np.unique(scores.column("block"), return_inverse=True)
    recipes, recipe = np.unique(scores.column("recipe"), return_inverse=True)
    edges = sparse.csr_array(
        (np.ones(len(block)), (block, len(blocks) + recipe)),
        shape=(len(blocks) + len(recipes),) * 2,
    )
    _, group = sparse.csgraph.connected_components(edges, directed=False)
    return len(np.unique(group[: len(blocks)])) == 1


def _of_tasters(dropped: Sequence[Component], scores: Scores) -> list[Noted[Note]]:
    """What so few tasters, or cups of each, cannot tell."""
    people = len(np.unique(scores.tasters))
    if people == 1:
        return [noted(Note.ONE_TASTER, taster=str(scores.tasters[0]))]
    found = [noted(Note.NOT_GUESTS, n=people)] if people < FEWEST_GUESTS else []
    if "taster:water" in [one.name for one in dropped]:
        found.append(noted(Note.NOBODY_TWICE))
    return found

"""Which model the design can carry: the terms of the surface, the blocks, the chance components."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
from labkit.analysis.model.reml import Columns
from labkit.analysis.model.scores import Scores
from labkit.errors import ReadingError
from labkit.water import COORDINATE, COORDINATES, amount

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

    cannot_tell: tuple[str, ...]
    """What this design cannot tell, one sentence each."""

    choices: tuple[str, ...]
    """What was chosen and why, one sentence each."""

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
        f"Every cup had {amount(name, float(held[place]))}: these scores know nothing of "
        f"other levels of {COORDINATE[name].words}."
        for place, name in enumerate(COORDINATES)
        if name not in coding.names
    ]
    blocks, components, choices = block_effects(scores)
    coded = coding.code(waters)
    terms, refused = _estimable_terms(coded, blocks, room=_room(scores, blocks))
    cannot += _refused_words(refused, terms, coding, coded, blocks)
    fixed = np.column_stack([np.ones(len(coded)), term_matrix(coded, terms), blocks])
    if fixed.shape[1] >= len(fixed):
        raise ReadingError(
            f"scores must be more than the {blocks.shape[1] + 1} flights that they lie in, got "
            f"{len(fixed)}: nothing is left to tell waters by. Taste more cups in each.",
            field="scores",
        )
    components = taster_components(scores, coding, coded, terms) + components
    bowl, sentence = _bowl(scores, fixed)
    if bowl is not None:
        components.append(bowl)
    if sentence:
        cannot.append(sentence)
    components, left_out = affordable(components)
    kept, dropped, columns = identifiable(fixed, components)
    cannot += _dropped_words(dropped, scores) + _linking_words(scores)
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


def block_effects(scores: Scores) -> tuple[Floats, list[Component], list[str]]:
    """Fixed contrasts between sessions or flights, random ones, and the choice in words."""
    return scores.once("blocks", lambda: _block_effects(scores))


def _block_effects(scores: Scores) -> tuple[Floats, list[Component], list[str]]:
    session, block = scores.column("session"), scores.column("block")
    n_sessions, n_blocks = len(np.unique(session)), len(np.unique(block))
    components: list[Component] = []
    choices: list[str] = []
    fixed = np.empty((len(session), 0))
    if n_blocks == 1:
        return fixed, components, choices
    if n_blocks < FEWEST_RANDOM_BLOCKS:
        fixed = centred_contrasts(list(block))
        choices.append(
            f"Each of the {n_blocks} flights has a level of its own; waters are compared within "
            "flights and through waters served in several."
        )
    else:
        if n_sessions >= FEWEST_RANDOM_BLOCKS:
            components.append(Component.grouped("session", session, words="levels of sessions"))
            choices.append(f"The {n_sessions} sessions differ by chance, as days do.")
        elif n_sessions > 1:
            fixed = centred_contrasts(list(session))
            choices.append(
                f"Each of the {n_sessions} sessions has a level of its own; days are linked "
                "through waters served on both, such as the control."
            )
        if n_blocks > n_sessions:
            components.append(Component.grouped("flight", block, words="levels of flights"))
    taster_block = np.char.add(np.char.add(scores.tasters, " | "), block)
    components.append(
        Component.grouped(
            "taster:flight", taster_block, words="a taster's level from flight to flight"
        )
    )
    return fixed, components, choices


def affordable(components: Sequence[Component]) -> tuple[list[Component], list[str]]:
    """Components while their effects together stay few enough to be fitted in a second or two.

    What all tasters share comes before what is one taster's own, which averages out over them.
    What is left out goes into the residual, and is named.
    """
    kept: list[Component] = []
    sentences = []
    for component in sorted(components, key=lambda one: one.name in OWN):
        if sum(len(one.labels) for one in kept) + len(component.labels) <= MOST_EFFECTS:
            kept.append(component)
        else:
            sentences.append(
                f"With so many scores, the spread in {component.words} is not estimated apart "
                f"({len(component.labels)} effects would take long): it counts as noise."
            )
    return kept, sentences


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


def _refused_words(
    refused: Sequence[Term], kept: Sequence[Term], coding: Coding, coded: Floats, blocks: Floats
) -> list[str]:
    sentences = []
    names = [COORDINATE[name].words for name in coding.names]
    for term in refused:
        if len(term) == 1:
            column = coded[:, term[0]]
            rest = column - column.mean()
            if blocks.shape[1]:
                coefficients = np.linalg.lstsq(blocks, rest, rcond=None)[0]
                rest = rest - blocks @ coefficients
            if np.linalg.norm(rest) < TOLERANCE * np.linalg.norm(column - column.mean()):
                sentences.append(
                    f"{names[term[0]].capitalize()} changed only between flights, which differ "
                    "for other reasons too: serve a control in each to tell the two apart."
                )
            else:
                sentences.append(
                    f"{names[term[0]].capitalize()} moved together with another coordinate: its "
                    "own effect cannot be told from these cups."
                )
        elif (term[0],) in kept and term[0] == term[1]:
            levels = len(np.unique(coded[:, term[0]].round(6)))
            why = "only two levels were tasted" if levels == 2 else "there are too few waters"
            sentences.append(
                f"Whether {names[term[0]]} has a best level in between cannot be told: {why}."
            )
        elif (term[0],) in kept and (term[1],) in kept:
            sentences.append(
                f"Whether the best {names[term[0]]} moves with {names[term[1]]} cannot be told: "
                "too few waters varied both."
            )
    return sentences


def taster_components(
    scores: Scores, coding: Coding, coded: Floats, terms: Sequence[Term]
) -> list[Component]:
    """What tasters differ in by chance: level, slope of each factor kept, single waters."""
    tasters = scores.tasters
    found = [Component.grouped("taster", tasters, words="tasters' levels")]
    found += [
        Component.grouped(
            f"taster:{name}",
            tasters,
            times=coded[:, place],
            words=f"how tasters answer {COORDINATE[name].words}",
            keep_at_zero=True,
        )
        for place, name in enumerate(coding.names)
        if (place,) in terms
    ]
    pairs = np.char.add(np.char.add(tasters, " | "), scores.column("recipe"))
    found.append(
        Component.grouped(
            "taster:water", pairs, words="how tasters answer single waters", keep_at_zero=True
        )
    )
    return found


def _bowl(scores: Scores, fixed: Floats) -> tuple[Component | None, str]:
    """The bowl's own spread: mixing and brewing slips that every taster met."""
    recipe, bowl = scores.column("recipe"), scores.column("bowl")
    component = Component.grouped("bowl", bowl, words="bowls of the same water")
    again = len(np.unique(np.char.add(recipe, bowl))) - len(np.unique(recipe))
    many = len(component.labels) > MOST_EFFECTS
    spare = len(component.labels) if many else _rank_beyond(fixed, component)
    sentence = ""
    if again == 0:
        sentence = (
            "Each water was mixed and brewed once: a slip in one jug looks like an effect of its "
            "water, and the two cannot be separated. A duplicate mixed and brewed separately would "
            "tell."
        )
    usable = spare >= FEWEST_BOWL_DF and len(np.unique(scores.tasters)) > 1
    return (component if usable else None), sentence


def _rank_beyond(fixed: Floats, component: Component) -> int:
    """Independent differences between a component's groups beyond the fixed effects."""
    matrix = component.matrix
    onto = matrix.T @ np.linalg.qr(fixed)[0]
    return int(np.linalg.matrix_rank((matrix.T @ matrix).toarray() - onto @ onto.T, hermitian=True))


def _linking_words(scores: Scores) -> list[str]:
    """Whether flights and sessions hang together through waters served in several."""
    blocks, block = np.unique(scores.column("block"), return_inverse=True)
    recipes, recipe = np.unique(scores.column("recipe"), return_inverse=True)
    edges = sparse.csr_array(
        (np.ones(len(block)), (block, len(blocks) + recipe)),
        shape=(len(blocks) + len(recipes),) * 2,
    )
    _, group = sparse.csgraph.connected_components(edges, directed=False)
    if len(np.unique(group[: len(blocks)])) == 1:
        return []
    return [
        "Some flights or days share no water with the rest, so their levels cannot be compared: "
        "only differences within them count. Serve the same control in each."
    ]


def _dropped_words(dropped: Sequence[Component], scores: Scores) -> list[str]:
    people = len(np.unique(scores.tasters))
    if people == 1:
        return [f"Only {scores.tasters[0]} scored: this is one taster's answer, not a panel's."]
    sentences = []
    if people < FEWEST_GUESTS:
        sentences.append(f"{people} tasters speak for tasters like them, not for guests.")
    if "taster:water" in [one.name for one in dropped]:
        sentences.append(
            "Nobody tasted a water twice: a taster's own taste and slips of the day cannot be "
            "separated."
        )
    return sentences

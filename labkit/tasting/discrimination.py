"""Serving plans that ask whether two waters can be told apart: triangle, tetrad and their kin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.noted import noted
from labkit.tasting.codes import draw_codes
from labkit.tasting.coding import put_codes
from labkit.tasting.layout import Draw
from labkit.tasting.methods import METHODS, Method
from labkit.tasting.plan import CupPlan, Design, PlanNote, Serving, checked_names
from labkit.tasting.seal import KeyRow, SealedKey, Sealer
from labkit.tasting.sizes import check_whole
from labkit.tasting.waters import SessionWater, session_waters
from labkit.water import Target


@checked(PlanError, own_numbers=True)
def plan_sets(
    method: str,
    pair: tuple[Target, Target],
    tasters: Sequence[str],
    *,
    session: str,
    passphrase: str,
    trials: int = 1,
    stronger: Target | None = None,
    known: Sequence[SessionWater] = (),
    after: CupPlan | None = None,
    recent_codes: Mapping[str, date] | None = None,
    served_on: date | None = None,
    seed: int | np.random.Generator | None = None,
) -> CupPlan:
    """Sets of coded cups for every taster, each order as often as any other within a trial.

    Every trial is a flight with a jug of each water mixed and brewed anew, a cup each for every
    taster, and a key of its own. Orders are balanced within a trial and drawn anew for the next:
    balanced over trials, the last one could be worked out from those opened before.

    Parameters
    ----------
    method : str
        A key of ``METHODS``.
    pair : tuple of two Target
        The waters to tell apart.
    tasters : sequence of str
        Who tastes, each name once.
    session : str
        Name of the session in the lab book; the keys are bound to it.
    passphrase : str
        The preparer's; nobody can recover it.
    trials : int
        Sets for each taster. More than one makes answers of a taster hang together, which the
        reading must allow for.
    stronger : Target, optional
        For 2-AFC and 3-AFC: which of the pair is expected to have more of the attribute. That is
        sealed with the key, which marks the other one as the control.
    known : sequence of SessionWater
        The session's waters so far, when flights are added to it.
    after : CupPlan, optional
        The session's plan so far, of the same test.
    recent_codes : mapping of str to date, optional
        When codes were last served; they rest for a fortnight while the pool allows.
    served_on : date, optional
        Day of the session; today if not given.
    seed : int or numpy.random.Generator, optional
        For tests only. A seed that is kept would give the key away.

    Raises
    ------
    PlanError
        If the method is unknown, the waters are the same, or a number is out of range.
    SealError
        If the passphrase is too short or too easily guessed.
    """
    names = checked_names(tasters, session)
    asked = _method(method)
    check_whole("trials", trials)
    if after is not None and after.design.kind != method:
        raise PlanError(
            f"after must be a session of the same test ({method}), got '{after.session}', whose "
            "sheet asks something else. Start a new session for the test.",
            field="after",
        )
    listed = pair_waters(method, pair, stronger=stronger, known=known)
    two = [w for target in pair for w in listed if w.target == target]
    sets = asked.sets
    if method == "3-AFC":
        sets = sets[:3] if stronger == pair[0] else sets[3:]
    draw = Draw(seed)
    codes = draw_codes(
        [asked.cups] * (trials * len(names)),
        taken=set() if after is None else after.all_codes,
        recent=recent_codes,
        on=served_on,
        rng=draw.fresh(),
    )
    groups = iter(codes.groups)
    first = 1 if after is None else max(after.flights) + 1
    sealer = Sealer(session, passphrase)
    cups: list[Serving] = []
    keys: list[SealedKey] = []
    spread: list[int] = []
    for flight in range(first, first + trials):
        served = _deal_sets(sets, len(names), draw.fresh())
        spread += [served.count(each) for each in sets]
        poured: list[tuple[str, str]] = []
        for taster, letters in zip(names, served, strict=True):
            coded = put_codes(next(groups), np.arange(asked.cups)[None, :], draw.fresh())
            for i, letter in enumerate(letters):
                poured.append((coded[i], letter))
                cups.append(
                    Serving(flight=flight, taster=taster, position=i + 1, blind_code=coded[i])
                )
        control = _weaker(asked, pair, stronger)
        keys.append(sealer.seal(flight, _rows(flight, poured, two, control, draw.fresh())))
    notes = [noted(PlanNote.SETS, method=method), noted(PlanNote.MIXED_AGAIN)]
    if trials > 1:
        notes.append(noted(PlanNote.SETS_ALIKE))
    return CupPlan(
        session=session,
        tasters=names,
        serving="a cup each",
        cups=tuple(cups),
        keys=tuple(keys),
        design=Design(
            kind=method,
            n_waters=2,
            flights=trials,
            repeats=trials,
            cups_per_flight=asked.cups,
            control_cups=0,
            duplicate_cups=0,
            jugs=2 * trials,
            efficiency=1.0,
            spreads=(("times an order is served in a trial", min(spread), max(spread)),),
        ),
        notes=(*notes, *codes.notes),
    )


@checked(PlanError)
def pair_waters(
    method: str,
    pair: tuple[Target, Target],
    *,
    stronger: Target | None = None,
    known: Sequence[SessionWater] = (),
) -> tuple[SessionWater, ...]:
    """The two waters as the session lists them.

    Parameters
    ----------
    method : str
        A key of ``METHODS``.
    pair : tuple of two Target
        The waters to tell apart.
    stronger : Target, optional
        Which of the two is expected to be stronger, for a method that needs it.
    known : sequence of SessionWater
        The session's waters so far, which keep their labels.

    Raises
    ------
    PlanError
        If the waters are the same, or the method needs a stronger one and it is not of the pair.
    """
    weaker = _weaker(_method(method), pair, stronger)
    return session_waters(pair, control=weaker or "none", known=known)


def _weaker(method: Method, pair: tuple[Target, Target], stronger: Target | None) -> Target | None:
    """The water expected to have less, or not to win; None where none is named beforehand."""
    if not method.names_first:
        return None
    if stronger not in pair:
        raise PlanError(
            f"stronger must be one of the pair for {method.name}, got {stronger}. "
            "Say which water should have more of the attribute, or be preferred.",
            field="stronger",
        )
    return pair[1] if stronger == pair[0] else pair[0]


def right_place(method: str, waters: Sequence[object], stronger: object = None) -> int:
    """Which cup of a set, from 0, its question asks for.

    Parameters
    ----------
    method : str
        A key of ``DIFFERENCE_TESTS``.
    waters : sequence
        What is in the cups, in the order they are tasted.
    stronger : object, optional
        For 2-AFC and 3-AFC: which of them is expected to have more of the attribute.

    Raises
    ------
    PlanError
        If no cup of the set is the one asked for.
    """
    drunk = list(waters)
    if method in ("duo-trio", "tetrad"):
        return 1 + drunk[1:].index(drunk[0])
    wanted = [w for w in drunk if (drunk.count(w) == 1 if method == "triangle" else w == stronger)]
    if not wanted:
        raise PlanError(
            f"stronger must be one of the two waters for {method}, got {stronger}. "
            "Say which water should have more of the attribute.",
            field="stronger",
        )
    return drunk.index(wanted[0])


def _method(name: str) -> Method:
    if name not in METHODS:
        raise PlanError(
            f"method must be one of {', '.join(METHODS)}, got {name!r}. Choose one.", field="method"
        )
    return METHODS[name]


def _deal_sets(sets: Sequence[str], n_tasters: int, rng: np.random.Generator) -> list[str]:
    """A set for each taster; of those left over, opposites go together as far as they go."""
    whole, left = divmod(n_tasters, len(sets))
    couples = [list(rng.permutation(sets[i : i + 2])) for i in range(0, len(sets), 2)]
    rest = [each for i in rng.permutation(len(couples)) for each in couples[i]][:left]
    dealt = [str(each) for each in [*sets] * whole + rest]
    return [dealt[i] for i in rng.permutation(n_tasters)]


def _rows(
    flight: int,
    poured: Sequence[tuple[str, str]],
    two: Sequence[SessionWater],
    control: Target | None,
    rng: np.random.Generator,
) -> tuple[KeyRow, ...]:
    """Key rows of one trial: code and letter of every cup, jugs and bowls numbered at random."""
    jugs = rng.permutation(2).tolist()
    bowls = rng.permutation(len(poured)).tolist()
    return tuple(
        KeyRow(
            blind_code=code,
            jug=f"J{flight}.{jugs['AB'.index(letter)] + 1}",
            bowl=f"B{flight}.{bowl + 1}",
            water=two["AB".index(letter)].label,
            target=two["AB".index(letter)].target,
            is_control=two["AB".index(letter)].target == control,
            is_duplicate=False,
        )
        for (code, letter), bowl in zip(poured, bowls, strict=True)
    )

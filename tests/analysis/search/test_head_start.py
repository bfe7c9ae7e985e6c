"""Earlier coffees help a new one as far as they agree, say so, and are dropped if they mislead."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm, qmc

from labkit.analysis.region import Region
from labkit.analysis.search.belief import believe
from labkit.analysis.search.earlier_coffees import follow, head_start
from labkit.analysis.search.earlier_prior import (
    CENTRES,
    COMMON,
    SPREADS,
    Pool,
    base,
    log_likelihood,
    moved,
    places,
)
from labkit.analysis.search.next_flight import suggest_flight
from labkit.analysis.search.shapes import unit
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.analysis.search.stopping import stop_or_taste
from labkit.errors import ReadingError
from labkit.water import STANDARD_LOW, STANDARD_SPAN, as_coordinates

CENTRE, AWAY = (0.3, 80.0, 20.0), (0.8, 180.0, 50.0)
NEW = ("Hillside", "the new one")


def tasted(best, *, seed, name, flights=3):
    """Scores of a coffee that was best there, in flights of five waters spread at random."""
    rng = np.random.default_rng(seed)
    panel = SimulatedPanel.draw(list("ABCD"), PlantedPeak(best=best, effect_points=2.0), seed=rng)
    spread = STANDARD_LOW + qmc.LatinHypercube(3, seed=rng).random(5 * flights) * STANDARD_SPAN
    scores = panel.taste_flights(np.split(Region().nearest(spread), flights), seed=rng)
    return scores.assign(client="Hillside", coffee=name)


def shelf(centre, n=5):
    """Earlier coffees that are all best at one water."""
    return pd.concat([tasted(centre, seed=i, name=f"coffee {i}") for i in range(n)])


@pytest.fixture(scope="module")
def related():
    return head_start(shelf(CENTRE), NEW)


def told(at, sd):
    """Where the best water of a coffee lies that is known that well, in shares of the ranges."""
    away = (unit(places()) - np.array(at)) / sd
    mass = base() * np.exp(-(away**2).sum(axis=1) / 2)
    return mass / mass.sum()


def test_without_earlier_coffees_there_is_no_head_start():
    alone = tasted(CENTRE, seed=1, name=NEW[1])

    assert head_start(alone, NEW) is None
    assert head_start(alone.iloc[:0], NEW) is None


def test_cups_and_verdict_rest_on_the_coffees_own_cups(related):
    """Chosen by earlier coffees too, cups led no sooner to the best water, and astray."""
    for frame in (None, tasted(AWAY, seed=9, name=NEW[1])):
        with_it = suggest_flight(frame, n_tasters=4, head_start=related)
        without = suggest_flight(frame, n_tasters=4)
        assert with_it.cups == without.cups
        assert with_it.leader == without.leader
        assert with_it.helped.expected != pytest.approx(with_it.leader_expected)
        assert without.helped is None
    assert stop_or_taste(frame) == stop_or_taste(believe(frame, head_start=related))


def test_a_head_start_that_says_nothing_changes_no_water_to_serve(related):
    nothing = replace(related, odds=np.ones_like(related.odds))

    for frame in (None, tasted(AWAY, seed=9, name=NEW[1])):
        belief = believe(frame, n_tasters=4, head_start=nothing)
        own = belief.posterior
        assert as_coordinates(belief.helped.leader) == pytest.approx(own.recipes[[own.leader]])
        assert belief.helped.expected == pytest.approx(own.mean[own.leader])


def test_the_first_choice_lies_where_earlier_coffees_were_best(related):
    first = suggest_flight(None, n_tasters=4, head_start=related)

    def off(water):
        return np.linalg.norm((as_coordinates(water)[0] - CENTRE) / STANDARD_SPAN)

    assert off(first.helped.leader) < 0.25
    assert off(first.helped.leader) < off(first.leader)


def test_a_likelihood_is_the_sum_over_the_grid():
    best = told((0.4, 0.3, 0.6), 0.2) * 0.9  # one in ten that no shape holds
    kernels = (2, 14, 25)
    density = np.prod(
        [
            norm.pdf(unit(places())[:, axis], CENTRES[at % 11], SPREADS[at // 11])
            for axis, at in enumerate(kernels)
        ],
        axis=0,
    )
    common = (density @ best) / (density @ base())
    by_hand = 0.1 + (1 - COMMON) * 0.9 + COMMON * common

    found = log_likelihood(best)[kernels]

    assert found == pytest.approx(np.log(by_hand), abs=1e-9)


def test_the_prior_stays_a_distribution():
    prior = Pool([told((0.2, 0.5, 0.5), 0.1)] * 3, {}).prior()

    assert base() @ prior.odds == pytest.approx(1)
    assert prior.odds.min() >= prior.like_any > 0


def test_coffees_that_agree_move_more_than_one_and_than_coffees_that_do_not():
    one = told((0.2, 0.3, 0.3), 0.1)
    apart = [told(at, 0.1) for at in ((0.1, 0.9, 0.5), (0.9, 0.1, 0.1), (0.5, 0.5, 0.9))]

    agreeing, alone, apart = (
        moved(Pool(some, {}).prior().odds) for some in ([one] * 3, [one], apart)
    )

    assert agreeing > 1.3 * alone
    assert agreeing > 2 * apart


def test_groups_count_only_if_the_data_say_so():
    here, there = ((0.2, 0.3, 0.3), (0.8, 0.8, 0.7))
    two_kinds = [told(at, 0.1) for at in (here, there) * 4]
    one_kind = [told(here, 0.1)] * 8
    process = {"process": np.array([0, 1] * 4)}

    split, pooled = (Pool(some, process).prior() for some in (two_kinds, one_kind))
    together = Pool(two_kinds, {}).prior()

    assert split.groups["process"] > 0.9
    assert pooled.groups["process"] < 0.2
    near = np.linalg.norm(unit(places()) - np.array(here), axis=1) < 0.2
    assert base()[near] @ split.odds[near] > 1.5 * base()[near] @ together.odds[near]


@pytest.mark.parametrize("out", [0, 1, 5])
def test_taking_one_out_is_as_if_it_had_never_been_there(out):
    ats = [(0.2, 0.3, 0.3), (0.8, 0.8, 0.7), (0.3, 0.2, 0.4)] * 2
    bests, process = [told(at, 0.1) for at in ats], np.array([0, 1, 0, 2, 0, 1])
    others = [i for i in range(6) if i != out]

    less = Pool(bests, {"process": process}).prior(without=out)
    never = Pool([bests[i] for i in others], {"process": process[others]}).prior()

    assert less.odds == pytest.approx(never.odds, rel=1e-9)
    assert less.groups == pytest.approx(never.groups, rel=1e-9)


def test_groups_come_from_what_the_lab_book_knows():
    scores = pd.concat([shelf(CENTRE, 3), tasted(AWAY, seed=5, name="odd")])
    about = pd.DataFrame(
        [("Hillside", f"coffee {i}", "washed") for i in range(3)]
        + [("Hillside", "odd", "natural"), (*NEW, "Natural")],
        columns=["client", "coffee", "process"],
    )

    known = head_start(scores, NEW, about)
    unknown = head_start(scores, NEW, about.assign(process=""))

    assert 0 < known.groups["process"] < 1
    assert known.lenders != unknown.lenders
    assert unknown.groups == {}


def test_being_alike_follows_from_the_rule_of_bayes(related):
    own = np.random.default_rng(4).random(len(related.odds))
    own /= own.sum()
    common = (related.odds - related.like_any) / (1 - related.like_any)
    for_common = (1 - related.like_any) * (own @ common)
    for_any = related.like_any * 1.0

    followed = follow(related, own)

    assert followed.alike == pytest.approx(for_common / (for_common + for_any))


def test_a_coffee_of_another_kind_soon_stops_listening(related):
    before = believe(None, n_tasters=4, head_start=related).helped.followed.alike

    other = believe(tasted(AWAY, seed=21, name=NEW[1], flights=4), head_start=related)
    same = believe(tasted(CENTRE, seed=22, name=NEW[1], flights=4), head_start=related)

    assert other.helped.followed.alike < 0.7 * before
    assert same.helped.followed.alike > before


def test_all_that_is_lent_is_lent_by_somebody(related):
    assert sum(one.share for one in related.lenders) == pytest.approx(1)


def test_a_coffee_brewed_otherwise_lends_nothing_and_is_named():
    filtered = tasted(CENTRE, seed=3, name="filter only").assign(brew_method="filter")

    start = head_start(pd.concat([shelf(CENTRE, 2), filtered]), NEW, brew_method="cupping")

    assert {one.coffee for one in start.lenders} == {"coffee 0", "coffee 1"}
    assert [one.coffee for one in start.silent] == ["filter only"]


def test_the_surface_alone_takes_no_head_start(related):
    with pytest.raises(ReadingError, match="head_start"):
        believe(None, n_tasters=4, engine="surface", head_start=related)

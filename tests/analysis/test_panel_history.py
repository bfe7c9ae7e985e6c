"""A panel's history finds what was planted, near the panel and the usual where little is known."""

from functools import cache

import numpy as np
import pytest
from statsmodels.multivariate.factor import Factor

from labkit.analysis.across.packing import pack_coffee_sums, unpack_coffee_sums
from labkit.analysis.across.panel_history import (
    CoffeeSums,
    SharedCups,
    coffee_sums,
    panel_history_from,
)
from labkit.analysis.search.simulate import (
    PanelNoise,
    PlantedPeak,
    SimulatedPanel,
    SimulatedTaster,
)
from labkit.tasting import Scale

FINE = Scale(
    name="quality 0-100", lowest=0, highest=100, step=1, words=((0, "poor"), (100, "good"))
)
WATERS = [(0.1, 40, 10), (0.5, 100, 30), (0.9, 160, 50), (0.3, 120, 20), (0.7, 60, 40)]
TASTERS = (
    SimulatedTaster(name="quiet", repeat_sd=0.4, level=0.5),
    SimulatedTaster(name="loud", repeat_sd=1.2),
    SimulatedTaster(name="eager", repeat_sd=0.7, sensitivity=1.4),
    SimulatedTaster(name="faint", repeat_sd=0.7, sensitivity=0.6, level=-0.5),
)


@cache
def taste(n_coffees, tasters=TASTERS, *, flights=3, repeats=0):
    """The sums of coffees that these tasters scored, cups in whatever order."""
    rng = np.random.default_rng(1)
    found = []
    for number in range(n_coffees):
        peak = PlantedPeak(best=(rng.random(), 90, rng.uniform(10, 50)), effect_points=2.5)
        noise = PanelNoise(first_cup=0, fading=0)
        panel = SimulatedPanel(tasters=tasters, surface=peak, noise=noise)
        waters = [*WATERS, *WATERS[:repeats]]
        scores = panel.taste_flights([waters] * flights, seed=rng)
        found.append(coffee_sums(scores, "client", f"coffee {number}"))
    return found


def by_name(history):
    return {one.taster: one for one in history.tasters}


def test_many_coffees_show_who_repeats_who_answers_and_who_scores_high():
    of = by_name(panel_history_from(taste(12)))

    for name, sd in (("quiet", 0.4), ("eager", 0.7), ("loud", 1.2)):
        seen = np.sqrt(sd**2 + 1 / 12)  # whole points add a twelfth of a point squared
        assert of[name].repeat_sd.value == pytest.approx(seen, rel=0.2)
        assert of[name].repeat_sd.low < of[name].repeat_sd.value < of[name].repeat_sd.high
    assert of["faint"].slope.high < of["quiet"].slope.value < of["eager"].slope.value
    assert of["faint"].slope.value == pytest.approx(0.6, abs=0.2)
    assert np.mean([one.slope.value for one in of.values()]) == pytest.approx(1)
    assert of["quiet"].level.low > of["faint"].level.high
    assert of["quiet"].tells_apart.low > of["faint"].tells_apart.value


def test_one_flight_says_little_and_says_so():
    one, many = (by_name(panel_history_from(taste(n, flights=1)))["loud"] for n in (1, 12))

    for name in ("level", "slope", "repeat_sd", "tells_apart"):
        little, much = getattr(one, name), getattr(many, name)
        assert little.high - little.low > much.high - much.low


def test_with_many_cups_it_is_the_factor_model_by_maximum_likelihood():
    """Against statsmodels' factor analysis, whose likelihood has no usual values drawn in."""
    rng = np.random.default_rng(4)
    slope, noise, n = np.array([1.2, 0.8, 1.0, 0.5]), np.array([0.5, 0.8, 0.6, 0.9]), 4000
    cups = rng.normal(0, 0.8, (n, 1)) * slope + rng.normal(0, noise, (n, 4))
    centred = cups - cups.mean(axis=0)
    shared = SharedCups(
        tasters=("T0", "T1", "T2", "T3"),
        sessions=1,
        flights=1,
        cups=n,
        products=tuple(map(tuple, centred.T @ centred)),
        freedom=n - 1,
        level=(0.0,) * 4,
    )
    sums = CoffeeSums(client="c", coffee="k", scale="", rounding=0.0, shared=(shared,))

    of = by_name(panel_history_from([sums]))
    other = Factor(cups, n_factor=1, method="ml").fit()

    theirs = np.sqrt(other.uniqueness * cups.var(axis=0))
    loading = np.abs(other.loadings[:, 0]) * cups.std(axis=0)
    mine = [of[f"T{taster}"] for taster in range(4)]
    assert [one.repeat_sd.value for one in mine] == pytest.approx(theirs, rel=0.02)
    assert [one.slope.value for one in mine] == pytest.approx(loading / loading.mean(), rel=0.01)


def test_one_taster_alone_is_judged_by_repeats():
    alone = (SimulatedTaster(name="alone", repeat_sd=1.3),)
    (found,) = panel_history_from(taste(8, alone, repeats=1)).tasters

    assert found.repeat_sd.value == pytest.approx(1.3, rel=0.2)
    assert (found.slope.value, found.level.value) == (1, 0)
    assert not panel_history_from(taste(1, alone, flights=1)).tasters


def test_simulated_tasters_are_as_noisy_as_those_seen_on_any_scale():
    sums = taste(12)

    history = panel_history_from(sums, tasters=["quiet", "eager", "nobody"])
    wide = panel_history_from(sums, tasters=["quiet", "eager"], scale=FINE)

    noise = history.noise
    mean_variance = noise.repeat_sd**2 * np.exp(2 * noise.repeat_spread**2)
    assert mean_variance == pytest.approx((0.4**2 + 0.7**2) / 2, rel=0.3)
    assert wide.noise.repeat_sd == pytest.approx(noise.repeat_sd * 100 / 8)
    assert wide.noise.sensitivity_sd == noise.sensitivity_sd
    assert history.unknown == ("nobody",)
    nobody = panel_history_from(sums, tasters=["nobody"])
    assert nobody.is_usual
    assert nobody.noise == PanelNoise()


def test_a_cup_that_somebody_missed_costs_that_cup_and_sums_are_packed_exactly():
    panel = SimulatedPanel(tasters=TASTERS, surface=PlantedPeak(best=(0.4, 90, 25)))
    scores = panel.taste_flights([WATERS] * 2, seed=3)
    first = scores[(scores["flight"] == 1) & (scores["jug"] == "F1J2")].index[0]
    absent = (scores["flight"] == 2) & (scores["taster"] == "loud") & (scores["position"] > 2)

    sums = coffee_sums(scores.drop([first, *scores.index[absent]]), "c", "k")

    assert {one.tasters: (one.cups, one.freedom) for one in sums.shared} == {
        ("eager", "faint", "loud", "quiet"): (4, 3),
        ("eager", "faint", "quiet"): (5, 4),
    }
    assert unpack_coffee_sums(pack_coffee_sums(sums), client="c", coffee="k") == sums

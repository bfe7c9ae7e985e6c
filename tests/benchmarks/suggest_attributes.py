"""Do scores of acidity and body beside the liking tell sooner which water is best?

    OMP_NUM_THREADS=1 python -m tests.benchmarks.suggest_attributes --coffees 5 --world helps

Both attributes are nearly linear in the minerals and span two to four points, with the liking's own
noise. In the world that helps, liking peaks at a level of one of them or of both; in the one that
misleads, it is of the usual kinds and the attributes run along other directions; with a halo they
copy half of each liking score, its error too. Cups are chosen by the liking alone, so that all read
the same ones: the liking by itself, beside what the attributes' slopes allow (half of the weight
before the cups goes to shapes that are functions of them), and beside the true slopes.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from dataclasses import replace

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits
from tqdm import tqdm

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.region import Region
from labkit.analysis.search.cups import Cups, cups_of
from labkit.analysis.search.posterior import every_other_level
from labkit.analysis.search.shape_average import odds_by_control, weigh
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.shapes import DOME, HILL, TENT, Shapes, unit
from labkit.analysis.search.simulate import LIKING, PanelNoise, SimulatedPanel
from labkit.tasting import Scale
from tests.benchmarks.suggest_peers import Ours
from tests.benchmarks.suggest_worlds import (
    CONTROL,
    KINDS,
    STRANGE,
    Coffee,
    Floats,
    draw_coffee,
    planted,
)

READ_AFTER = (1, 3, 5)
WORLDS = ("helps", "misleads", "halo")
GRID = Region().grid[every_other_level(Region().grid)]
UNROUNDED = Scale(name="unrounded", lowest=1, highest=9, step=0.001, words=())
SLOPE_SD, N_SLOPES, N_EACH = 2.0, 5, 250
NO_BEND = 1 * 4 * 5 + 2 * 5 + 2
"""Code of the combination of ``BENDS`` that leaves all three axes straight."""


def slopes_that_help(rng: np.random.Generator) -> list[Floats]:
    """Points over each standard range: acidity falls with alkalinity, body rises with hardness."""
    acidity = [rng.uniform(0.3, 1.5), rng.normal(0, 0.3), -rng.uniform(1.5, 3)]
    body = [rng.normal(0, 0.4), rng.uniform(1.5, 3), rng.normal(0, 0.3)]
    return [np.array(acidity), np.array(body)]


def coffee_that_follows(number: int, seed: int) -> tuple[Coffee, list[Floats]]:
    """A coffee whose liking peaks at a level of one attribute or of both, and their slopes."""
    rng = np.random.default_rng([seed, zlib.crc32(b"attributes"), number])
    slopes = slopes_that_help(rng)
    followed = slopes if number % 2 else [slopes[int(rng.random() < 0.35)]]
    best, sharp = rng.random(3), rng.uniform(0.4, 1.6, len(followed))
    is_narrow = rng.random() < 0.5

    def raw(u: Floats) -> Floats:
        away = [3 * (u - best) @ slope / np.abs(slope).sum() for slope in followed]
        q = sum(s * off**2 for s, off in zip(sharp, away, strict=True))
        return np.exp(-q) if is_narrow else -q

    surface = planted(raw, rng.uniform(0.5, 2))
    noise = PanelNoise(repeat_sd=rng.uniform(0.5, 0.8))
    names = [f"taster {i + 1}" for i in range(4)]
    panel = SimulatedPanel.draw(names, surface, seed=rng, noise=noise)
    return Coffee(kind="follows", number=number, surface=surface, panel=panel), slopes


def attribute_frames(
    liked: pd.DataFrame, coffee: Coffee, slopes: list[Floats], copied: float, seed: list[int]
) -> list[pd.DataFrame]:
    """The frame of liking scores that are not rounded, with each attribute's scores instead."""
    rng = np.random.default_rng(seed)
    frames = []
    for slope in slopes:
        curve = rng.normal(0, 0.15)

        def surface(waters: Floats, slope: Floats = slope, curve: float = curve) -> Floats:
            z = (unit(np.atleast_2d(waters)) - 0.5) @ slope
            return z + curve * z**2

        panel = SimulatedPanel.draw(
            [taster.name for taster in coffee.panel.tasters],
            surface,
            seed=rng,
            scale=UNROUNDED,
            level=5.0,
            noise=replace(coffee.panel.noise, repeat_sd=coffee.panel.tasters[0].repeat_sd),
        )
        told = panel.taste(liked, seed=rng)
        copy = liked["score"] - liked.groupby("taster")["score"].transform("mean")
        score = np.clip(np.rint(2 * (told["score"] + copied * copy)) / 2, 1, 9)
        frames.append(told.assign(score=score, scale=LIKING.name))
    return frames


def drawn_slopes(cups: Cups, rng: np.random.Generator) -> list[Floats]:
    """Slopes that an attribute's cups allow, drawn from their normal posterior."""
    x = np.column_stack([np.ones(len(cups.value)), unit(cups.waters) - 0.5])
    precise = np.linalg.inv(cups.noise + 0.15**2 * np.eye(len(x)))
    before = np.diag([1 / 9, *[1 / SLOPE_SD**2] * 3])
    covariance = np.linalg.inv(x.T @ precise @ x + before)
    mean = covariance @ x.T @ precise @ (cups.value - cups.value.mean())
    return list(rng.multivariate_normal(mean[1:], covariance[1:, 1:], N_SLOPES))


def functions_of(sets: list[list[Floats]], n: int, rng: np.random.Generator) -> Shapes:
    """Shapes that are functions of the attributes of each set: `n` domes, hills or tents of each.

    Along what none of them tells, such a shape is level.
    """
    quadratic = []
    for directions in sets:
        D = np.array([one / (np.abs(one).sum() + 1e-9) for one in directions])
        width = np.exp(rng.uniform(np.log(0.2), np.log(1), (n, len(D))))
        curved = np.einsum("si,ij,ik->sjk", width**-2, D, D)
        pull = np.einsum("sij,sj->si", curved, peak := rng.uniform(-0.2, 1.2, (n, 3)))
        square = np.einsum("si,si->s", peak, pull)
        mixed = 2 * curved[:, [0, 0, 1], [1, 2, 2]]
        quadratic.append(np.column_stack([square, -2 * pull, curved[:, range(3), range(3)], mixed]))
    total = n * len(sets)
    form = np.sort(rng.choice([DOME, HILL, TENT], total))
    shapes = Shapes(
        form=form.astype(np.int8),
        bends=np.full(total, NO_BEND, dtype=np.int16),
        quadratic=rng.permutation(np.vstack(quadratic)).astype(np.float32),
        second=np.empty((0, 10), dtype=np.float32),
        second_height=np.empty(0, dtype=np.float32),
        top=np.zeros(total, dtype=np.float32),
        fall=np.ones(total, dtype=np.float32),
    )
    heights = shapes.heights(GRID)
    top = heights.max(axis=1)
    return replace(shapes, top=top, fall=top - np.quantile(heights, 0.05, axis=1))


def joined(library: Shapes, more: Shapes) -> tuple[Shapes, Floats]:
    """Both in one, sorted, and how likely each shape is when either half is as likely."""
    is_more = np.repeat([False, True], [len(library), len(more)])
    form, bends = (np.r_[getattr(library, x), getattr(more, x)] for x in ("form", "bends"))
    order = np.lexsort((bends, form))
    parts = {
        name: np.concatenate([getattr(library, name), getattr(more, name)])[order]
        for name in ("form", "bends", "quadratic", "top", "fall")
    }
    odds = np.where(is_more[order], 0.5 / is_more.mean(), 0.5 / (~is_more).mean())
    return replace(library, **parts), odds


def judged(coffee: Coffee, cups: Cups, more: Shapes | None) -> dict[str, float]:
    """Points that the leader gives away, and whether its 90 % interval holds its score."""
    library, odds = shape_library(), 1.0
    if more is not None:
        library, odds = joined(library, more)
    liked = odds_by_control(library, np.array([CONTROL])) * odds
    told = weigh(cups, library, liked / liked.mean())
    expected = told.expected(GRID)
    leader = GRID[[int(np.argmax(expected))]]
    draws = told.draws(leader, 1024, rng=np.random.default_rng(7)).astype(float)
    low, high = np.quantile(draws + expected.max() - draws.mean(), [0.05, 0.95])
    true = float(coffee.panel.expected(leader)[0])
    return {"regret": coffee.regret(leader[0]), "covered": float(low <= true <= high)}


def play(world: str, number: int, setting: argparse.Namespace) -> list[dict[str, object]]:
    """One coffee: a row a reading."""
    seed = [setting.seed, WORLDS.index(world), number]
    rng = np.random.default_rng(seed)
    usual = [kind for kind in KINDS if kind not in (*STRANGE, "flat")]
    if world == "helps":
        coffee, slopes = coffee_that_follows(number, setting.seed)
    else:
        kind = usual[number % len(usual)]
        coffee = draw_coffee(kind, number // len(usual), seed=setting.seed)
        drawn = rng.normal(size=(2, 3))
        slopes = list(drawn / np.abs(drawn).sum(axis=1, keepdims=True) * rng.uniform(2, 4, (2, 1)))
    player = Ours(n_tasters=4, scale=LIKING, seed=[*seed, 2])
    fine = replace(coffee.panel, scale=UNROUNDED)
    seen, exact, rows = None, None, []
    for flight in range(1, max(READ_AFTER) + 1):
        waters = [player.propose(seen, 5)]
        noise = [*seed, 3, flight]
        told, unrounded = (
            panel.taste_flights(waters, seed=np.random.default_rng(noise), first_flight=flight)
            for panel in (coffee.panel, fine)
        )
        seen = told if seen is None else pd.concat([seen, told], ignore_index=True)
        exact = unrounded if exact is None else pd.concat([exact, unrounded], ignore_index=True)
        player.choose(seen)
        if flight not in READ_AFTER:
            continue
        copied = 0.5 if world == "halo" else 0.0
        frames = attribute_frames(exact, coffee, slopes, copied, [*seed, 4])
        cups, *others = (cups_of(gather_scores(one), LIKING) for one in (seen, *frames))
        drawn = zip(*(drawn_slopes(one, rng) for one in others), strict=True)
        sets = [some for one, other in drawn for some in ([one], [other], [one, other])]
        readings = {"liking alone": None, "beside attributes": functions_of(sets, N_EACH, rng)}
        if world == "helps":
            true = [[slopes[0]], [slopes[1]], slopes]
            readings["beside their true slopes"] = functions_of(true, N_SLOPES * N_EACH, rng)
        rows += [
            {"number": number, "flight": flight, "reading": name, **judged(coffee, cups, more)}
            for name, more in readings.items()
        ]
    return rows


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--coffees", type=int, default=12)
    parser.add_argument("--world", default="helps", choices=WORLDS)
    parser.add_argument("--seed", type=int, default=1)
    setting = parser.parse_args()
    with threadpool_limits(1):
        played = [play(setting.world, number, setting) for number in tqdm(range(setting.coffees))]
    frame = pd.DataFrame([row for rows in played for row in rows])
    alone = frame[frame["reading"] == "liking alone"].set_index(["number", "flight"])["regret"]
    for reading, mine in frame.groupby("reading", sort=False):
        more = (mine.set_index(["number", "flight"])["regret"] - alone).unstack()
        for flight, some in mine.groupby("flight"):
            sys.stdout.write(
                f"{setting.world}, {reading}, flight {flight}: {some['regret'].mean():.3f} given "
                f"away, {more[flight].mean():+.3f} ± {more[flight].sem():.3f} beside the liking "
                f"alone, {some['covered'].mean():.2f} covered\n"
            )


if __name__ == "__main__":
    main()

"""The numbers that references are compared with, recomputed through the ways that readings take."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import Floats, second_order_terms, term_matrix
from labkit.analysis.model.mixed import Component, fit_mixed
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.pair_tests.difference import (
    difference_test,
    share_right,
    similarity_test,
)
from labkit.analysis.pair_tests.planning import answers_needed, minimum_correct
from labkit.analysis.pair_tests.preference import fewest_preferring, paired_preference
from labkit.analysis.reading.agreement import Cells, intraclass_correlations, kendall_w
from labkit.analysis.reading.best import level_point
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.reading.differences import simultaneous
from labkit.analysis.reading.panel import check_panel
from labkit.analysis.reading.repeat_noise import RepeatNoise
from labkit.analysis.reading.special_scales import rank_test

Values: TypeAlias = dict[tuple[str, str], float]

REACTOR: Final = (0.932541, 0.577712, -1.308555, -0.933442, 0.125)
"""Printed coefficients x1, x2, x1^2, x2^2, x1:x2 (Lenth 2009, J. Stat. Softw. 32(7))."""

YIELD: Final = (0.99, 0.52, -1.38, -1.00, 0.25)
"""The same, Montgomery, Design and Analysis of Experiments, Table 11.6 (from memory)."""

RATERS: Final = (
    (9, 2, 5, 8),
    (6, 1, 3, 2),
    (8, 4, 6, 8),
    (7, 1, 2, 6),
    (10, 5, 6, 9),
    (6, 2, 4, 7),
)
"""Six subjects by four judges (Shrout and Fleiss 1979, Table 2; from memory)."""

EXECUTIVES: Final = ((1, 6, 3, 2, 5, 4), (1, 5, 6, 4, 2, 3), (6, 3, 2, 5, 4, 1))
"""Three executives rank six applicants (Siegel 1956; from memory)."""

TIED: Final = (
    (1, 4.5, 2, 4.5, 3, 7.5, 6, 9, 7.5, 10),
    (2.5, 1, 2.5, 4.5, 4.5, 8, 9, 6.5, 10, 6.5),
    (2, 1, 4.5, 4.5, 4.5, 4.5, 8, 8, 8, 10),
)
"""Three rankings with ties (Kendall, Rank Correlation Methods; from memory)."""

ICE_CREAM: Final = (
    ((1, 2), (2, 3), (4, 1)),
    ((2, 3), (3, 1), (5, 2)),
    ((3, 2), (4, 1), (6, 3)),
    ((4, 1), (5, 2), (7, 3)),
    ((1, 3), (5, 1), (6, 2)),
    ((2, 3), (6, 1), (7, 2)),
    ((1, 3), (3, 1), (7, 2)),
)
"""Seven people rank three of seven ice creams: kind, rank (Conover 1999; from memory)."""


def _mixed_model(folder: Path, _facts: pd.DataFrame) -> Values:
    """Crossed taster, session and taster by water with a second-order surface."""
    data = pd.read_csv(folder / "synth_panel_bbd.csv", dtype={"taster": str, "water": str})
    terms = second_order_terms(3)
    coded = data[["m", "h", "k"]].to_numpy(dtype=np.float64)
    fixed = np.column_stack([np.ones(len(data)), term_matrix(coded, terms)])
    groups = {
        "taster": data["taster"],
        "session": data["session"],
        "taster:water": data["taster"] + "|" + data["water"],
    }
    components = [
        Component.grouped(name, group.to_numpy(dtype=str), words=name)
        for name, group in groups.items()
    ]
    fit = fit_mixed(
        data["score"].to_numpy(dtype=np.float64),
        fixed,
        components,
        data["taster"].to_numpy(dtype=str),
    )
    names = ["(Intercept)", "m", "h", "k", "I(m^2)", "I(h^2)", "I(k^2)"]
    names += ["I(m * h)", "I(m * k)", "I(h * k)"]
    values: Values = {
        ("", "reml loglik"): fit.loglik,
        ("Residual", "variance"): fit.residual_variance,
    }
    for place, name in enumerate(names):
        contrast = fit.effects.contrast(np.eye(len(names))[place])
        values[name, "estimate"] = contrast.estimate
        values[name, "gls se"] = float(np.sqrt(fit.effects.gls_covariance[place, place]))
        values[name, "kr se"], values[name, "kr df"] = contrast.se, contrast.df
    for component in fit.components:
        values[component.name, "variance"] = fit.variance_of(component.name)
    return values


def _uniformity(folder: Path, _facts: pd.DataFrame) -> Values:
    """The handbook's design read as one taster's scores over Mg share (x1) and hardness (x2)."""
    data = pd.read_csv(folder / "nist_cvd_uniformity.csv")
    frame = pd.DataFrame(
        {
            "session": "1",
            "flight": 1,
            "taster": "1",
            "jug": data.index.astype(str),
            "water": data["x1"].round(4).astype(str) + "/" + data["x2"].round(4).astype(str),
            "attribute": "overall",
            "score": data["y"],
            "mg_share": 0.5 + 0.5 * data["x1"],
            "hardness_mg_l_caco3": 100 + 50 * data["x2"],
            "alkalinity_mg_l_caco3": 20.0,
        }
    )
    reading = read_coffee(frame)
    surface, best, checks = reading.surface, reading.best, reading.diagnostics
    if surface is None or best is None or checks is None or checks.lack_of_fit is None:
        return {}
    values: Values = {("", "lack of fit F"): checks.lack_of_fit.statistic}
    names = ("(Intercept)", "x1", "x2", "x1^2", "x2^2", "x1:x2")
    for place, name in enumerate(names):
        values[name, "coef"] = float(surface.coefficients[place])
        values[name, "se"] = float(np.sqrt(surface.covariance[place, place]))
    highest = surface.coding.code(
        np.array([[best.target.mg_share, best.target.hardness_mg_l_caco3, 20]])
    )
    for place in (0, 1):
        values[f"x{place + 1}", "stationary"] = float(best.stationary.coded[place])
        values[str(place + 1), "eigenvalue"] = float(best.stationary.eigenvalues[place])
        values[f"x{place + 1}", "highest within range"] = float(highest[0, place])
    values["", "highest within range"] = best.mean
    values["", "level at stationary"] = float(surface.mean(best.stationary.coordinates[None])[0])
    return values


def _yarn(folder: Path, _facts: pd.DataFrame) -> Values:
    """A mixture model without level (Scheffé): least squares through the mixed-model code."""
    data = pd.read_csv(folder / "nist_yarn.csv")
    shares = data[["x1", "x2", "x3"]].to_numpy(dtype=np.float64)
    pairs = ((0, 1), (0, 2), (1, 2))
    fixed = np.column_stack([shares, *[shares[:, i] * shares[:, j] for i, j in pairs]])
    fit = fit_mixed(data["y"].to_numpy(dtype=np.float64), fixed, [], np.full(len(data), "1"))
    values: Values = {("", "sigma"): float(np.sqrt(fit.residual_variance))}
    for place, name in enumerate(("x1", "x2", "x3", "x1:x2", "x1:x3", "x2:x3")):
        contrast = fit.effects.contrast(np.eye(6)[place])
        values[name, "coef"], values[name, "se"] = contrast.estimate, contrast.se
    return values


def _printed_surface(coefficients: tuple[float, ...]) -> Callable[[Path, pd.DataFrame], Values]:
    def values(_folder: Path, _facts: pd.DataFrame) -> Values:
        eigenvalues, point = level_point(second_order_terms(2), coefficients, 2)
        found: Values = {}
        for place in (0, 1):
            found[str(place + 1), "eigenvalue"] = float(eigenvalues[place])
            if point is not None:
                found[f"x{place + 1}", "stationary"] = float(point[place])
        return found

    return values


def _raters(_folder: Path, _facts: pd.DataFrame) -> Values:
    found = intraclass_correlations(np.array(RATERS, dtype=np.float64))
    between, within, raters, error = found.mean_squares
    values = {
        "ICC1": found.one_way,
        "ICC2": found.agreement,
        "ICC3": found.consistency,
        "ICC1k": found.one_way_mean,
        "ICC2k": found.agreement_mean,
        "ICC3k": found.consistency_mean,
        "ICC2_lo": found.agreement_lo,
        "ICC2_hi": found.agreement_hi,
        "ICC2k_lo": found.agreement_mean_lo,
        "ICC2k_hi": found.agreement_mean_hi,
    }
    values |= {"BMS": between, "WMS": within, "JMS": raters, "EMS": error}
    return {("", name): value for name, value in values.items()}


def _rankings(table: tuple[tuple[float, ...], ...]) -> Callable[[Path, pd.DataFrame], Values]:
    def values(_folder: Path, _facts: pd.DataFrame) -> Values:
        return {("", "W"): kendall_w(np.array(table, dtype=np.float64).T).w}

    return values


def _worked_panel(folder: Path, _facts: pd.DataFrame) -> Values:
    data = pd.read_csv(folder / "panel_worked.csv")
    frame = data.assign(
        session="1",
        flight=data["rep"],
        jug=data["water"] + data["rep"].astype(str),
        attribute="overall",
        mg_share=data["water"].str[1:].astype(float) / 5,
        hardness_mg_l_caco3=80.0,
        alkalinity_mg_l_caco3=20.0,
    )
    scores = gather_scores(frame)
    found = check_panel(scores)
    columns = {
        "repeatability_sd": "repeatability_sd",
        "corr_rest_of_panel": "agreement",
        "spearman_rest": "rank_agreement",
        "scale_slope": "scale_slope",
        "level_bias": "level",
        "scale_sd_of_means": "spread",
        "interaction_share": "interaction_share",
        "mandel_h_max": "mandel_h",
    }
    values: Values = {
        (one.taster, name): float(getattr(one, column))
        for one in found.tasters
        for name, column in columns.items()
    }
    # R's aov of one taster at a time: the panel's repeats not drawn in.
    cells = Cells.of(scores.tasters, scores.column("recipe"), scores.score)
    alone = RepeatNoise.of(cells, weight=0)
    for row, taster in enumerate(cells.tasters):
        f, p = alone.discrimination(row, cells)
        values |= {(taster, "discrimination_F"): f, (taster, "discrimination_p"): p}
    variance, icc, concordance = found.variance, found.correlations, found.concordance
    if variance is not None and icc is not None and concordance is not None:
        whole = {
            "KendallW": concordance.w,
            "ICC2": icc.agreement,
            "ICC2k": icc.agreement_mean,
            "ICC3": icc.consistency,
            "ICC3k": icc.consistency_mean,
            "MS_product": variance.ms_water,
            "MS_taster": variance.ms_taster,
            "MS_interaction": variance.ms_interaction,
            "MSE": variance.ms_repeat,
            "F_product_vs_interaction": variance.f_water,
            "F_interaction": variance.f_interaction,
            "p_interaction": variance.p_interaction,
        }
        values |= {("panel", name): value for name, value in whole.items()}
    return values


def _durbin(_folder: Path, _facts: pd.DataFrame) -> Values:
    rows = [
        {"taster": person, "water": kind, "rank": rank}
        for person, block in enumerate(ICE_CREAM)
        for kind, rank in block
    ]
    found = rank_test(pd.DataFrame(rows), rng=np.random.default_rng(1))
    return {("", "statistic"): found.statistic}


def _numbers(text: str) -> list[float]:
    return [float(part.partition("=")[2]) for part in text.split()]


def _minimum_correct(_folder: Path, facts: pd.DataFrame) -> Values:
    values: Values = {}
    for row in facts.itertuples():
        n, alpha = _numbers(str(row.quantity))
        method = str(row.item)
        if method == "paired preference":
            found = fewest_preferring(int(n), alpha)
        else:
            found = minimum_correct(method, int(n), alpha)
        values[method, str(row.quantity)] = float("nan") if found is None else float(found)
    return values


def _share_right(_folder: Path, facts: pd.DataFrame) -> Values:
    return {
        (str(row.item), str(row.quantity)): share_right(
            str(row.item), _numbers(str(row.quantity))[0]
        )
        for row in facts.itertuples()
    }


def _answers_needed(_folder: Path, facts: pd.DataFrame) -> Values:
    values: Values = {}
    for row in facts.itertuples():
        share, alpha, beta = _numbers(str(row.quantity))
        found = answers_needed(str(row.item), discriminators=share, alpha=alpha, wanted=1 - beta)
        values[str(row.item), str(row.quantity)] = (
            float("nan") if found is None else float(found[0])
        )
    return values


def _worked_answers(_folder: Path, facts: pd.DataFrame) -> Values:
    values: Values = {}
    for item in facts["item"].unique():
        method, counts, sides = str(item).split()
        correct, n = map(int, counts.split("/"))
        found = difference_test(method, correct, n)
        p = found.p_value
        if sides == "two-sided":
            p = paired_preference(correct, n - correct, rule="left out").p_value
        numbers = {
            "p_exact": p,
            "pc_lo": found.share_lo,
            "pc_hi": found.share_hi,
            "pd": found.discriminators,
            "pd_lo": found.discriminators_lo,
            "pd_hi": found.discriminators_hi,
            "dprime": found.dprime,
            "se_dprime": found.dprime_se,
            "dprime_lo": found.dprime_lo,
            "dprime_hi": found.dprime_hi,
            "p_similarity_pd30": similarity_test(method, correct, n)[0],
        }
        values |= {(str(item), name): value for name, value in numbers.items()}
    return values


def _critical(differences: int, df: float, correlation: Floats) -> float:
    table = pd.DataFrame({"difference": np.zeros(differences), "se": 1.0, "df": df})
    found = simultaneous(table, correlation, rng=np.random.default_rng(20_250_301))
    return float(found["hi"].iloc[0])


def _dunnett(_folder: Path, facts: pd.DataFrame) -> Values:
    values: Values = {}
    for text in facts["item"]:
        k, df = _numbers(str(text))
        equal = np.full((int(k), int(k)), 0.5) + 0.5 * np.eye(int(k))
        values[str(text), "critical value"] = _critical(int(k), df, equal)
    return values


def _tukey(_folder: Path, facts: pd.DataFrame) -> Values:
    values: Values = {}
    for text in facts["item"]:
        k, df = _numbers(str(text))
        first, second = np.triu_indices(int(k), k=1)
        rows = (np.eye(int(k))[first] - np.eye(int(k))[second]) / np.sqrt(2)
        values[str(text), "critical value"] = np.sqrt(2) * _critical(len(rows), df, rows @ rows.T)
    return values


CHECKS: Final[dict[str, Callable[[Path, pd.DataFrame], Values]]] = {
    "mixed model": _mixed_model,
    "uniformity": _uniformity,
    "yarn": _yarn,
    "reactor": _printed_surface(REACTOR),
    "yield": _printed_surface(YIELD),
    "shrout fleiss": _raters,
    "kendall executives": _rankings(EXECUTIVES),
    "kendall ties": _rankings(TIED),
    "worked panel": _worked_panel,
    "durbin": _durbin,
    "minimum correct": _minimum_correct,
    "share right": _share_right,
    "answers needed": _answers_needed,
    "worked answers": _worked_answers,
    "dunnett": _dunnett,
    "tukey": _tukey,
}
"""How each check is recomputed, by its name in the fact files."""

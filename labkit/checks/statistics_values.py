"""The numbers that references are compared with, recomputed through the ways that readings take."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from labkit.analysis import (
    Cells,
    Component,
    Floats,
    FTest,
    MixedFit,
    RepeatNoise,
    answers_needed,
    check_panel,
    difference_test,
    fewest_preferring,
    fit_mixed,
    gather_scores,
    intraclass_correlations,
    kendall_w,
    level_point,
    minimum_correct,
    paired_preference,
    rank_test,
    read_coffee,
    second_order_terms,
    share_right,
    similarity_test,
    simultaneous,
    term_matrix,
)

Values: TypeAlias = dict[tuple[str, str], float]
Names: TypeAlias = tuple[str, ...]

FIRST_ORDER: Final = ("(Intercept)", "m", "h", "m:h")
SECOND_ORDER: Final = ("(Intercept)", "m", "h", "I(m^2)", "I(h^2)", "m:h")
LINES: Final = {"m, h, m:h": ("m", "h", "m:h"), "m, h": ("m", "h")}

KENWARD_ROGER: Final[dict[str, tuple[Names, Names, Mapping[str, Names]]]] = {
    "missing cells": (FIRST_ORDER, ("taster",), LINES),
    "slopes": (
        SECOND_ORDER,
        ("taster", "taster*m", "taster*h"),
        {"all terms": SECOND_ORDER[1:], "m, h": ("m", "h"), "squares": ("I(m^2)", "I(h^2)")},
    ),
    "at zero": (FIRST_ORDER, ("taster", "taster*m", "taster*h"), LINES),
    "own response": (
        FIRST_ORDER,
        ("taster", "session", "taster:water"),
        {"m, h, m:h": ("m", "h", "m:h"), "h, m:h": ("h", "m:h")},
    ),
    "two tasters": (("(Intercept)", "m", "I(m^2)"), ("taster",), {"waters": ("m", "I(m^2)")}),
}
"""Panels of ``kenward_roger_panels.csv``: terms, random effects, and terms tested together."""

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


def _balanced_panel(folder: Path) -> MixedFit:
    """Crossed taster, session and taster by water with a second-order surface."""
    data = pd.read_csv(folder / "synth_panel_bbd.csv", dtype={"taster": str, "water": str})
    coded = data[["m", "h", "k"]].to_numpy(dtype=np.float64)
    fixed = np.column_stack([np.ones(len(data)), term_matrix(coded, second_order_terms(3))])
    return _fit_panel(data, fixed, ("taster", "session", "taster:water"))


def _fit_panel(data: pd.DataFrame, fixed: Floats, names: Names) -> MixedFit:
    """Random effects of the names, as R writes them; ``taster*m`` is a slope of each taster."""
    components = []
    for name in names:
        who, _, factor = name.partition("*")
        groups = data[who.split(":")].agg("|".join, axis=1).to_numpy(dtype=str)
        times = data[factor].to_numpy(dtype=np.float64) if factor else None
        components.append(Component.grouped(name, groups, times=times, keep_at_zero=True))
    return fit_mixed(
        data["score"].to_numpy(dtype=np.float64),
        fixed,
        components,
        data["taster"].to_numpy(dtype=str),
    )


def _mixed_model(folder: Path, _facts: pd.DataFrame) -> Values:
    fit = _balanced_panel(folder)
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
        values[name, "kr df"] = contrast.df
    for component in fit.components:
        values[component.name, "variance"] = fit.variance_of(component.name)
    return values


def _f_values(item: str, name: str, test: FTest) -> Values:
    return {
        (item, f"{name} F"): test.statistic,
        (item, f"{name} F df"): test.df_bottom,
        (item, f"{name} F p"): test.p_value,
    }


def _kenward_roger(folder: Path, _facts: pd.DataFrame) -> Values:
    """Panels with missing cells, slopes of their own, a variance at zero, or one taster alone."""
    whole = pd.read_csv(folder / "kenward_roger_panels.csv")
    values: Values = {}
    for item, (terms, random, tests) in KENWARD_ROGER.items():
        data = whole[whole["panel"] == item]
        m, h = (data[name].to_numpy(dtype=np.float64) for name in ("m", "h"))
        columns = {
            "(Intercept)": m**0,
            "m": m,
            "h": h,
            "I(m^2)": m**2,
            "I(h^2)": h**2,
            "m:h": m * h,
        }
        effects = _fit_panel(
            data, np.column_stack([columns[term] for term in terms]), random
        ).effects
        each = dict(zip(terms, np.eye(len(terms)), strict=True))
        for place, (term, weights) in enumerate(each.items()):
            contrast = effects.contrast(weights)
            values[item, f"{term} estimate"] = contrast.estimate
            values[item, f"{term} gls se"] = float(np.sqrt(effects.gls_covariance[place, place]))
            values[item, f"{term} kr se"] = contrast.se
            values[item, f"{term} kr df"] = contrast.df
        for name, tested in tests.items():
            test = effects.f_test(np.array([each[term] for term in tested]))
            values |= _f_values(item, name, test)
    balanced = _balanced_panel(folder).effects
    for name, rows in (("all terms", slice(1, 10)), ("squares", slice(4, 7))):
        values |= _f_values("balanced", name, balanced.f_test(np.eye(10)[rows]))
    for item in ("lone taster", "lone taster, duplicates"):
        reading = read_coffee(_as_scores(whole[whole["panel"] == item]))
        if reading.surface is None or reading.diagnostics is None:
            continue
        every, lack = reading.surface.test(), reading.diagnostics.lack_of_fit
        if every is not None:
            values |= _f_values(item, "all terms", every)
        if lack is not None:
            values |= _f_values(item, "lack of fit", lack)
    return values


def _as_scores(data: pd.DataFrame) -> pd.DataFrame:
    """Coded scores of one flight as a scores frame over Mg share (m) and hardness (h)."""
    return pd.DataFrame(
        {
            "session": "1",
            "flight": 1,
            "taster": data["taster"],
            "jug": range(len(data)),
            "water": data["water"],
            "attribute": "overall",
            "score": data["score"],
            "mg_share": 0.5 + 0.25 * data["m"],
            "hardness_mg_l_caco3": 100 + 50 * data["h"],
            "alkalinity_mg_l_caco3": 20.0,
        }
    )


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
    found = rank_test(pd.DataFrame(rows), seed=np.random.default_rng(1))
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
            "p_similarity_pd30": similarity_test(method, correct, n).p_value,
        }
        values |= {(str(item), name): value for name, value in numbers.items()}
    return values


def _critical(differences: int, df: float, correlation: Floats) -> float:
    table = pd.DataFrame({"difference": np.zeros(differences), "se": 1.0, "df": df})
    found = simultaneous(table, correlation, seed=np.random.default_rng(20_250_301))
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
    "kenward-roger": _kenward_roger,
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

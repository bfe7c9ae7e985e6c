"""How to redo a report's analysis from its raw scores: with labkit, and without."""

from __future__ import annotations

from html import escape
from typing import Final

import numpy as np

from labkit.analysis import STEPS, Reading, Surface
from labkit.present import table
from labkit.water import as_coordinates, describe

_PLAIN: Final = """\
from itertools import product

import numpy as np
import pandas as pd
import statsmodels.api as sm

{figures}

scores = pd.read_csv(FILE, dtype={{"blind_code": str}}).dropna(subset=["score"])
for column, value in READ.items():
    scores = scores[scores[column] == value]
cup = ["session", "flight", "taster", "jug", "position", "blind_code"]
mean = scores.groupby(cup, dropna=False)["score"].transform("mean")
d = scores.assign(score=mean).drop_duplicates(cup).reset_index(drop=True)
steps = {{"mg_share": 0.002, "hardness_mg_l_caco3": 0.2, "alkalinity_mg_l_caco3": 0.15}}
d["water"] = (d[list(steps)] / steps).round().astype(str).agg(" ".join, axis=1)
d["flight"] = d["session"] + " " + d["flight"].astype(str)
d["bowl"] = d["session"] + " " + d["jug"].astype(str)

x = np.column_stack([(2 * d[name] - a - b) / (b - a) for name, (a, b) in FACTORS.items()])


def surface(x):
    return np.column_stack([x[:, list(term)].prod(axis=1) for term in TERMS])


design = surface(x)
if OWN_LEVEL:
    own = pd.get_dummies(d[OWN_LEVEL]).to_numpy(dtype=float)
    design = np.hstack([design, own[:, :-1] - own[:, -1:]])
covariance = RESIDUAL * np.eye(len(d))
for name, variance in VARIANCES.items():
    keys = name.split(":")
    slope = np.ones(len(d))
    if keys[-1] in FACTORS:
        slope = x[:, list(FACTORS).index(keys.pop())]
    group = d.groupby(keys).ngroup().to_numpy()
    covariance += variance * (group[:, None] == group) * np.outer(slope, slope)
fit = sm.GLS(d["score"], design, sigma=covariance).fit()
found = fit.params[: len(TERMS)].to_numpy()
grid = np.array(list(product(np.linspace(-1, 1, LEVELS), repeat=len(FACTORS))))
top = grid[np.argmax(surface(grid) @ found)]
best = {{
    name: float(a + (b - a) * (top[at] + 1) / 2)
    for at, (name, (a, b)) in enumerate(FACTORS.items())
    if any(at in term for term in TERMS)
}}
print(len(d), "scores; coefficients", found.round(4))
print("highest point of the surface:", best)
"""
"""Generalised least squares with plain libraries; the figures stand above it on the page."""


def redo_html(reading: Reading, file: str) -> str:
    """The model as fitted, in figures, and the code that gives them again.

    Parameters
    ----------
    reading : Reading
        What the report found.
    file : str
        Name under which the raw scores are attached.
    """
    code = (
        "import pandas as pd\nfrom labkit.analysis import read_coffee\n\n"
        f'file = "{file}"\n'
        'scores = pd.read_csv(file, dtype={"blind_code": str})\n'
        'read_coffee(scores, "overall")'
    )
    said = (
        "<p>One row is one score; mg_share, hardness and alkalinity are those of the water in the "
        f"cup. With labkit:</p><pre>{escape(code)}</pre>"
    )
    surface = reading.surface
    if surface is None or not surface.terms:
        return said + "<p>No curve was fitted to these scores.</p>"
    return (
        said + "<p>The model: the score as a quadratic surface of the coordinates that varied, "
        "each coded -1 at the lowest level tasted and 1 at the highest, with chance differences "
        "between tasters, flights and bowls, by restricted maximum likelihood.</p>"
        + _fitted_html(surface)
        + "<p>Without labkit, by generalised least squares: save the raw scores beside this code. "
        "It prints the coefficients above and the highest point of the surface. It takes the "
        "variances from the table; a mixed model of your own should find about the same.</p>"
        + _highest_html(reading, surface)
        + f"<pre>{escape(plain_code(surface, file))}</pre>"
    )


def _highest_html(reading: Reading, surface: Surface) -> str:
    """Where the surface is highest, which anyone finds, beside what is recommended, and why."""
    if reading.best is None:
        return ""
    at = as_coordinates(reading.best.highest)
    said = (
        f"Highest point of this surface within what was tasted: "
        f"{describe(at[0], surface.coding.names)}; it expects {float(surface.mean(at)[0]):.1f} "
        "there."
    )
    if reading.recommended is not None:
        said += (
            " The water recommended above may be another one: it comes from an average over many "
            "possible shapes of liking, of which this surface is one, and a coordinate that the "
            "cups do not tell is kept. To redo that, use the code with labkit."
        )
    return f"<p>{escape(said)}</p>"


def plain_code(surface: Surface, file: str) -> str:
    """Python that fits the surface to the raw scores with pandas and statsmodels alone."""
    scores, coding = surface.scores, surface.coding
    figures = {
        "FILE": file,
        "READ": {
            "attribute": scores.attribute,
            "brew_method": scores.brew_method,
            "scale": scores.scale,
        },
        "FACTORS": {one.name: (float(one.low), float(one.high)) for one in coding.factors},
        "TERMS": [(), *surface.terms],
        "OWN_LEVEL": _own_level(surface),
        "VARIANCES": _variances(surface),
        "RESIDUAL": float(f"{surface.fit.residual_variance:.6g}"),
        "LEVELS": STEPS[len(coding.factors)],
    }
    lines = [f"{name} = {value!r}" for name, value in figures.items()]
    return _PLAIN.format(figures="\n".join(lines))


def _variances(surface: Surface) -> dict[str, float]:
    """Variance of every component that is not zero."""
    fit = surface.fit
    return {
        component.name: float(f"{variance:.6g}")
        for component, variance in zip(fit.components, fit.variances, strict=True)
        if variance > 0
    }


def _own_level(surface: Surface) -> str:
    """What has a level of its own in the fixed effects: flights, sessions, or nothing."""
    contrasts = surface.model.fixed.shape[1] - surface.model.n_surface
    if not contrasts:
        return ""
    flights = len(np.unique(surface.scores.column("block")))
    return "flight" if contrasts == flights - 1 else "session"


def _fitted_html(surface: Surface) -> str:
    errors = np.sqrt(np.diag(surface.covariance))
    terms = [
        (name, f"{value:.4f}", f"{error:.4f}")
        for name, value, error in zip(surface.names, surface.coefficients, errors, strict=True)
    ]
    spreads = [(name, f"{value:.4f}") for name, value in _variances(surface).items()]
    spreads.append(("left over", f"{surface.fit.residual_variance:.4f}"))
    return (
        # One below the other: a name such as hardness:alkalinity does not fit half a page.
        "<div class='wide one'>"
        + table("Coefficients, coded", ("term", "points", "standard error"), terms)
        + table("Variances, points squared", ("between", "variance"), spreads)
        + "</div>"
    )

"""The fitted surface: what the panel would score any water, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from labkit.analysis.model.coding import (
    Bools,
    Coding,
    Floats,
    Term,
    term_matrix,
    term_name,
    to_frame,
)
from labkit.analysis.model.kenward_roger import Contrast, FTest
from labkit.analysis.model.mixed import MixedFit, fit_mixed
from labkit.analysis.model.scores import Scores
from labkit.analysis.model.structure import Model, build_model, told_at_zero
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.water import COORDINATE, COORDINATES, as_coordinates


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A mixed model over the coordinates that varied, its coding kept with it.

    Public in and out are natural units; only ``design``'s columns and the coefficients are coded.
    """

    model: Model
    """Terms, blocks and components as chosen for the design."""

    fit: MixedFit
    """The fitted mixed model."""

    scores: Scores
    """What it was fitted to."""

    @property
    def coding(self) -> Coding:
        """Factors with the natural levels coded -1 and 1."""
        return self.model.coding

    @property
    def terms(self) -> tuple[Term, ...]:
        """Terms beside the level, as tuples of factor places."""
        return self.model.terms

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coefficients: ``'level'``, ``'mg_share'``, ``'mg_share^2'``..."""
        return tuple(term_name(term, self.coding.names) for term in ((), *self.terms))

    @property
    def coefficients(self) -> Floats:
        """Level (at the centre of the coding, in the average flight) and terms, coded units."""
        return self.fit.effects.beta[: self.model.n_surface]

    @property
    def covariance(self) -> Floats:
        """Kenward-Roger covariance of the coefficients."""
        n = self.model.n_surface
        return self.fit.effects.covariance[:n, :n]

    def design(self, targets: Any) -> Floats:
        """Coded model columns for any waters.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.

        Returns
        -------
        ndarray, shape (n, n_coefficients)
            The level (1), then the terms in the order of ``terms``.
        """
        coded = self.coding.code(as_coordinates(targets))
        return np.column_stack([np.ones(len(coded)), term_matrix(coded, self.terms)])

    def mean(self, targets: Any) -> Floats:
        """Expected score of each water in the average flight.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.

        Returns
        -------
        ndarray, shape (n,)
            In points.
        """
        means: Floats = self.design(targets) @ self.coefficients
        return means

    def known(self, targets: Any) -> Bools:
        """Whether each water keeps the coordinates that never varied where they stayed.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.

        Returns
        -------
        ndarray of bool, shape (n,)
            Where False, the surface has nothing to say.
        """
        away = np.abs(as_coordinates(targets) - self.model.held)
        fixed = [i for i, name in enumerate(COORDINATES) if name not in self.coding.names]
        limits = np.array([COORDINATE[COORDINATES[i]].settled for i in fixed])
        return np.asarray(np.all(away[:, fixed] <= limits, axis=1))

    def within_tasted(self, targets: Any) -> Bools:
        """Whether each water lies within the ranges tasted.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.

        Returns
        -------
        ndarray of bool, shape (n,)
            Where False, a mean is extrapolated.
        """
        coded = self.coding.code(as_coordinates(targets))
        return np.asarray(np.all(np.abs(coded) <= 1 + 1e-9, axis=1) & self.known(targets))

    def predict(self, targets: Any, *, level: float = 0.95) -> pd.DataFrame:
        """Expected scores with standard errors and intervals.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.
        level : float
            Coverage of the interval, between 0 and 1.

        Returns
        -------
        DataFrame
            Coordinates, ``mean, se, df, lo, hi`` (score units) and ``within_tasted``. For waters
            that leave a coordinate that never varied, the numbers are missing: nothing is known.
        """
        waters = as_coordinates(targets)
        weights = self._weights(waters)
        table = self.fit.effects.intervals(weights, level)
        known = self.known(waters)
        table[~known] = np.nan
        table["within_tasted"] = self.within_tasted(waters)
        return pd.concat([to_frame(waters), table], axis=1)

    def compare(self, targets: Any, against: Any, *, level: float = 0.95) -> pd.DataFrame:
        """Differences of expected scores, ``targets`` minus ``against``.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.
        against : the same kinds
            One water, or as many as ``targets``.
        level : float
            Coverage of the intervals, between 0 and 1.

        Returns
        -------
        DataFrame
            One row a water: coordinates, ``difference, se, df, lo, hi`` (points); NaN where one of
            the two leaves a coordinate that never varied.
        """
        waters, others = as_coordinates(targets), as_coordinates(against)
        weights = self._weights(waters) - self._weights(others)
        table = self.fit.effects.intervals(weights, level).rename(columns={"mean": "difference"})
        table[~(self.known(waters) & self.known(others))] = np.nan
        return pd.concat([to_frame(waters), table], axis=1)

    def spread(self, targets: Any, against: Any) -> Floats:
        """Standard errors of differences between waters: quicker than ``compare``.

        Parameters
        ----------
        targets : Target, sequence of Target, DataFrame or array_like of shape (n, 3)
            The waters.
        against : the same kinds
            One water, or as many as ``targets``.

        Returns
        -------
        ndarray, shape (n,)
            In points.
        """
        weights = self.design(targets) - self.design(against)
        found: Floats = np.einsum("np,pq,nq->n", weights, self.covariance, weights)
        return np.asarray(np.sqrt(found.clip(0)))

    def level_at(self, target: Any) -> Contrast:
        """The expected score of one water in the average flight, and how sure it is.

        Parameters
        ----------
        target : Target, DataFrame or array_like of shape (3,)
            One water.

        Returns
        -------
        Contrast
            Estimate, standard error (points) and degrees of freedom.
        """
        return self.fit.effects.contrast(self._weights(as_coordinates(target))[0])

    def difference(self, target: Any, against: Any) -> Contrast:
        """One difference with its standard error and degrees of freedom.

        Parameters
        ----------
        target, against : Target, DataFrame or array_like of shape (3,)
            One water each.

        Returns
        -------
        Contrast
            ``target`` minus ``against`` (points).
        """
        weights = self._weights(as_coordinates(target)) - self._weights(as_coordinates(against))
        return self.fit.effects.contrast(weights[0])

    def test(self) -> FTest | None:
        """F test that no term of the surface does anything; None if there is no term."""
        if not self.terms:
            return None
        weights = np.eye(len(self.fit.effects.beta))[1 : self.model.n_surface]
        return self.fit.effects.f_test(weights)

    def draws(self, n: int, *, seed: int | np.random.Generator) -> Floats:
        """Coefficients drawn from the estimate.

        A multivariate t with the degrees of freedom of the surface's F test: normal draws left
        out the best level in 8 % of simulated panels of three or four, where 5 % are allowed.

        Parameters
        ----------
        n : int
            Number of draws.
        seed : int or numpy.random.Generator
            The chance that draws them.

        Returns
        -------
        ndarray, shape (n, n_coefficients)
            In the order of ``coefficients``.
        """
        rng = np.random.default_rng(seed)
        values, vectors = np.linalg.eigh(self.covariance)
        # The symmetric root: any other would turn with the vectors that a processor chooses.
        root = (vectors * np.sqrt(np.clip(values, 0, None))) @ vectors.T
        steps = rng.standard_normal((n, len(self.coefficients))) @ root
        test = self.test()
        if test is not None:
            steps *= np.sqrt(test.df_bottom / rng.chisquare(test.df_bottom, n))[:, None]
        drawn: Floats = self.coefficients + steps
        return drawn

    def _weights(self, waters: Floats) -> Floats:
        """Rows over all fixed effects; contrasts between blocks are zero on average."""
        design = self.design(waters)
        blank = np.zeros((len(design), len(self.fit.effects.beta) - design.shape[1]))
        return np.column_stack([design, blank])


@checked(ReadingError)
def fit_surface(scores: Scores) -> Surface:
    """Fit the richest model that the scores can carry.

    Parameters
    ----------
    scores : Scores
        As :func:`gather_scores` gives them.

    Returns
    -------
    Surface
        The level alone, if no coordinate was varied enough for more.

    Raises
    ------
    ReadingError
        If too few scores are left beside the flights, or they leave no noise.
    """
    model = build_model(scores)
    components = scores.once("told", lambda: told_at_zero(model.fixed, model.components))
    fit = fit_mixed(scores.score, model.fixed, components, scores.tasters, columns=model.columns)
    return Surface(model=model, fit=fit, scores=scores)

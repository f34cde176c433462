"""Laws that fit the reading to the load by least squares, their covariance, and their inverse.

The loads are known, so the reading is the response (JCGM 100:2008, H.3). For live use the law is
inverted. Polynomials are solved in a variable scaled to ±1 by Householder QR and refined with the
residual in extended precision, so that loads of 10⁶ with coefficients of 10⁻¹⁵ cost no digits.
Coefficients and their covariance are then converted to powers of the load itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.calibration.points import Points

Array = NDArray[np.float64]
DEGREES = {"line": 1, "quadratic": 2, "cubic": 3}
LAWS = (*DEGREES, "two_slopes")
KNEE_TRIES = 60


class FitError(Exception):
    """The points do not determine the law; the text says why and what to add."""


@dataclass(frozen=True)
class Value:
    """A value with its standard uncertainty."""

    value: float
    u: float


@dataclass(frozen=True)
class Fit:
    """One fitted law, reading as a function of load.

    Attributes:
        law: its name.
        names: names of the coefficients, in order.
        coefficients, covariance: shapes (p,) and (p, p), in units of reading and load.
        residuals: shape (n,), reading minus law.
        residual_sd: √(residual sum of squares / (n − p)).
        r_squared: share of the readings' scatter about their mean that the law explains.
        aicc: Akaike's criterion corrected for small samples (Hurvich and Tsai, Biometrika
            76(2), 1989); lower is better, only differences are meaningful.
        load_range: smallest and largest load of the points.
    """

    law: str
    names: tuple[str, ...]
    coefficients: Array
    covariance: Array
    residuals: Array
    residual_sd: float
    r_squared: float
    aicc: float
    load_range: tuple[float, float]

    @property
    def degrees_of_freedom(self) -> int:
        return int(self.residuals.size - self.coefficients.size)

    @property
    def standard_errors(self) -> Array:
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Array:
        """Correlation, shape (p, p). A coefficient without scatter has no correlation."""
        errors = self.standard_errors
        scale = np.where(errors > 0.0, errors, 1.0)
        found: Array = self.covariance / np.outer(scale, scale)
        np.fill_diagonal(found, 1.0)
        return found

    def reading(self, load: float) -> float:
        """Return the law at one load."""
        return float(_model(self.law, self.coefficients, np.array([load]))[0])

    def readings(self, loads: Array) -> Array:
        """Return the law at many loads, shape (n,)."""
        found: Array = _model(self.law, self.coefficients, loads)
        return found

    def slope(self, load: float) -> float:
        """Return the change of reading per load."""
        return float(self.slopes(np.array([load]))[0])

    def slopes(self, loads: Array) -> Array:
        """Return the change of reading per load at many loads, shape (n,)."""
        c = self.coefficients
        if self.law == "two_slopes":
            inner: Array = np.where(np.abs(loads) <= c[3], c[1], c[2])
            return inner
        found = np.zeros_like(loads)
        for i in range(c.size - 1, 0, -1):
            found = found * loads + i * c[i]
        return found

    def at(self, load: float) -> Value:
        """Return law and standard uncertainty at a load, with correlation (JCGM 100, 5.2.2)."""
        gradient = _gradient(self.law, self.coefficients, np.array([load]))[0]
        return Value(self.reading(load), math.sqrt(max(gradient @ self.covariance @ gradient, 0)))

    def load_for(self, reading: float, u_reading: float | None = None) -> Value:
        """Return the load that gives a reading, by inverting the law.

        Its uncertainty combines those of the law and of the reading (the scatter about the law if
        ``u_reading`` is not given), divided by the slope there.

        Raises:
            FitError: no load near the calibrated range gives this reading, or the law is flat.
        """
        load = self._solve(reading)
        slope = self.slope(load)
        own = self.residual_sd if u_reading is None else u_reading
        return Value(load, math.hypot(self.at(load).u, own) / abs(slope))

    def _solve(self, reading: float) -> float:
        low, high = self.load_range
        # At most half their range beyond the points: the law is not valid farther out.
        reach = 0.5 * (high - low)
        grid = np.linspace(low - reach, high + reach, 4001)
        away = _model(self.law, self.coefficients, grid) - reading
        crossing = np.flatnonzero(np.sign(away[:-1]) * np.sign(away[1:]) <= 0)
        if crossing.size == 0:
            raise FitError(
                f"reading {reading:g} lies outside the readings for loads from {grid[0]:g} to "
                f"{grid[-1]:g}; calibrate over a range that includes it"
            )
        middle = 0.5 * (low + high)
        best = crossing[np.argmin(np.abs(grid[crossing] - middle))]
        a, b = float(grid[best]), float(grid[best + 1])
        if away[best] == 0.0:
            return a
        if away[best + 1] == 0.0:
            return b
        from scipy.optimize import brentq  # slow to load

        load = float(
            brentq(
                lambda x: self.reading(x) - reading,
                a,
                b,
                xtol=1e-15 * max(1.0, abs(a), abs(b)),
                rtol=8.9e-16,
            )
        )
        if self.slope(load) == 0.0:
            raise FitError(f"the law is flat at load {load:g}: no load follows from a reading")
        return load

    def as_data(self) -> dict[str, Any]:
        """Return plain values for JSON and files."""
        return {
            "law": self.law,
            "names": list(self.names),
            "coefficients": self.coefficients.tolist(),
            "standard_errors": self.standard_errors.tolist(),
            "correlation": self.correlation.tolist(),
            "covariance": self.covariance.tolist(),
            "residual_sd": self.residual_sd,
            "r_squared": self.r_squared,
            "aicc": self.aicc if math.isfinite(self.aicc) else None,
            "points": int(self.residuals.size),
            "degrees_of_freedom": self.degrees_of_freedom,
            "load_range": list(self.load_range),
        }


def fit_law(points: Points, law: str) -> Fit:
    """Fit one law to the points.

    Raises:
        FitError: unknown law, or too few or badly placed points for it.
    """
    x, y = points.load, points.reading
    if law in DEGREES:
        return _polynomial(x, y, law, DEGREES[law])
    if law == "two_slopes":
        return _two_slopes(x, y)
    raise FitError(f"law '{law}' is not known; known laws: {', '.join(LAWS)}")


def _polynomial(x: Array, y: Array, law: str, degree: int) -> Fit:
    from scipy.linalg import solve_triangular  # slow to load

    terms = degree + 1
    _enough(x, law, terms)
    centre = 0.5 * (x.max() + x.min())
    scale = 0.5 * (x.max() - x.min())
    scaled = np.vander((x - centre) / scale, terms, increasing=True)
    q, r = np.linalg.qr(scaled)
    solution = solve_triangular(r, q.T @ y).astype(np.longdouble)
    wide_x = (x.astype(np.longdouble) - np.longdouble(centre)) / np.longdouble(scale)
    wide = np.vander(wide_x, terms, increasing=True)
    for _ in range(2):
        remains = (y.astype(np.longdouble) - wide @ solution).astype(np.float64)
        solution = solution + solve_triangular(r, q.T @ remains)
    residuals = (y.astype(np.longdouble) - wide @ solution).astype(np.float64)
    inverse_r = solve_triangular(r, np.eye(terms))
    back = _to_powers(terms, centre, scale)
    spread = (back @ inverse_r.astype(np.longdouble)).astype(np.float64)
    return _finish(
        law,
        tuple(f"b{i}" for i in range(terms)),
        (back @ solution).astype(np.float64),
        spread @ spread.T,
        x,
        y,
        residuals,
    )


def _to_powers(terms: int, centre: float, scale: float) -> Any:
    """Return the matrix (extended precision) from coefficients in ((x − centre)/scale)^j to x^i."""
    matrix = np.zeros((terms, terms), dtype=np.longdouble)
    wide_centre, wide_scale = np.longdouble(centre), np.longdouble(scale)
    for j in range(terms):
        for i in range(j + 1):
            matrix[i, j] = math.comb(j, i) * (-wide_centre) ** (j - i) / wide_scale**j
    return matrix


def _two_slopes(x: Array, y: Array) -> Fit:
    """Fit a straight line with a different slope beyond a knee at the same load on both sides.

    For a given knee the rest is linear; a search over the residual finds the knee, and the
    covariance is that of all four coefficients linearised at the solution.
    """
    from scipy.linalg import solve_triangular  # slow to load
    from scipy.optimize import minimize_scalar

    _enough(x, "two_slopes", 4)
    sizes = np.unique(np.abs(x))
    low, high = sizes[sizes > 0.0][0], sizes[-1]
    if sizes[sizes > 0.0].size < 4:
        raise FitError("two_slopes needs at least two loads on each side of the knee; add loads")

    def inner(knee: float) -> tuple[Array, float]:
        matrix = _hinge_matrix(x, knee)
        found: Array = np.linalg.lstsq(matrix, y, rcond=None)[0].astype(np.float64)
        return found, float(np.sum((y - matrix @ found) ** 2))

    tries = np.linspace(low, high, KNEE_TRIES + 2)[1:-1]
    within = np.clip(x, -tries[:, None], tries[:, None])
    bases, _ = np.linalg.qr(np.stack((np.ones_like(within), within, x - within), axis=-1))
    # Least residual: most of the readings lies within the space of the columns.
    best = int(np.argmax(np.sum((y @ bases) ** 2, axis=-1)))
    step = tries[1] - tries[0]
    found = minimize_scalar(
        lambda knee: inner(knee)[1],
        bounds=(max(low, tries[best] - step), min(high, tries[best] + step)),
        method="bounded",
        options={"xatol": 1e-10 * high},
    )
    knee = float(found.x)
    linear, _ = inner(knee)
    coefficients = np.array([linear[0], linear[1], linear[2], knee])
    if abs(linear[2] - linear[1]) < 1e-9 * abs(linear[1]):
        raise FitError("the points show no knee: both slopes are equal; fit a line")
    jacobian = _gradient("two_slopes", coefficients, x)
    scaling = np.linalg.norm(jacobian, axis=0)
    _, r = np.linalg.qr(jacobian / scaling)
    try:
        inverse_r = solve_triangular(r, np.eye(4)) / scaling[:, None]
    except np.linalg.LinAlgError:
        raise FitError("the points do not determine the knee; add loads on both sides") from None
    residuals = y - _model("two_slopes", coefficients, x)
    return _finish(
        "two_slopes",
        ("b0", "slope_inner", "slope_outer", "knee"),
        coefficients,
        inverse_r @ inverse_r.T,
        x,
        y,
        residuals,
    )


def _hinge_matrix(x: Array, knee: float) -> Array:
    within = np.clip(x, -knee, knee)
    return np.column_stack((np.ones_like(x), within, x - within))


def _model(law: str, c: Array, x: Array) -> Array:
    if law == "two_slopes":
        return _hinge_matrix(x, c[3]) @ c[:3]
    value = np.zeros_like(x)
    for coefficient in c[::-1]:
        value = value * x + coefficient
    return value


def _gradient(law: str, c: Array, x: Array) -> Array:
    """Return the derivative of the law by each coefficient, shape (n, p)."""
    if law == "two_slopes":
        beyond = np.where(np.abs(x) > c[3], np.sign(x), 0.0)
        return np.column_stack((_hinge_matrix(x, c[3]), beyond * (c[1] - c[2])))
    return np.vander(x, c.size, increasing=True)


def _enough(x: Array, law: str, terms: int) -> None:
    different = np.unique(x).size
    if x.size <= terms or different < terms:
        raise FitError(
            f"too few points for '{law}': it needs more than {terms} points at {terms} or more "
            f"different loads but has {x.size} at {different}; add loads or choose a "
            "simpler law"
        )


def _finish(
    law: str,
    names: tuple[str, ...],
    coefficients: Array,
    unscaled: Array,
    x: Array,
    y: Array,
    residuals: Array,
) -> Fit:
    n, p = y.size, coefficients.size
    squares = math.fsum(float(e) ** 2 for e in residuals)
    mean = math.fsum(y.tolist()) / n
    total = math.fsum((float(v) - mean) ** 2 for v in y)
    variance = squares / (n - p)
    parameters = p + 1  # including the scatter
    room = n - parameters - 1
    aicc = math.inf
    if room > 0 and squares > 0.0:
        aicc = n * math.log(squares / n) + 2 * parameters * n / room
    elif room > 0:
        aicc = -math.inf
    return Fit(
        law,
        names,
        coefficients,
        variance * unscaled,
        residuals,
        math.sqrt(variance),
        1.0 - squares / total if total > 0.0 else 1.0,
        aicc,
        (float(x.min()), float(x.max())),
    )


def choose_law(points: Points, laws: Sequence[str] = LAWS) -> tuple[Fit, dict[str, Fit]]:
    """Return the law with the lowest AICc among those that can be fitted, and all of them.

    Raises:
        FitError: none can be fitted.
    """
    fits: dict[str, Fit] = {}
    reasons = []
    for law in laws:
        try:
            fits[law] = fit_law(points, law)
        except FitError as error:
            reasons.append(str(error))
    if not fits:
        raise FitError(reasons[0])
    return min(fits.values(), key=lambda fit: fit.aicc), fits

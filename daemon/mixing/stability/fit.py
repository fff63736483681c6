"""What is left to dissolve: an average over models of how salinity goes on.

Salinity at age a (minutes before now) is modelled as

    S(a) = final - sum_i r_i exp(a / tau_i) + lag x dT/dt + noise

with none, one or two decaying modes out of a grid of time constants.  Each
choice is a linear Bayesian regression; their posterior probabilities weigh
them.  The far past counts less the farther salinity then was from now, because
no sum of two modes follows a whole dissolution.  Undissolved salt can only
raise salinity, which gives slow modes their sign.  The term in dT/dt takes up
what a thermometer slower than the cell puts into salinity.

Sources: Noyes and Whitney, J. Am. Chem. Soc. 19 (1897) and Nernst and Brunner,
Z. phys. Chem. 47 (1904) for modes that decay exponentially; Hoeting et al.,
Statistical Science 14 (1999) for averaging over models (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.cells import CELL_S, CELLS_KEPT, Floats

TAUS_MIN: Floats = np.array(
    [0.7, 1.1, 1.7, 2.6, 4.0, 6.0, 9.0, 13.0, 19.0, 28.0, 42.0, 65.0, 110.0]
)
"""Grid of time constants, minutes."""

SLOW_FROM_MIN = 14.0
"""From this time constant on a mode is salt, which can only raise salinity."""

_AGE_MIN: Floats = np.arange(CELLS_KEPT, dtype=np.float64) * (CELL_S / 60.0)
_MODES: Floats = np.exp(np.minimum(_AGE_MIN[:, None] / TAUS_MIN[None, :], 22.0))
_REMAINDER_SD = 1.0
_LAG_SD = 0.5
_FAR = 2.0
_FADES_MIN = 40.0
_LEAST_RATIO = 2.0
_NONE = 2 + len(TAUS_MIN)


def _choices() -> npt.NDArray[np.int64]:
    """Return the pairs of columns of all models; `_NONE` stands for no mode."""
    n = len(TAUS_MIN)
    single = [(_NONE, _NONE)] + [(2 + i, _NONE) for i in range(n)]
    double = [
        (2 + i, 2 + j)
        for i in range(n)
        for j in range(i + 1, n)
        if TAUS_MIN[j] >= _LEAST_RATIO * TAUS_MIN[i]
    ]
    return np.array(single + double)


_PAIRS = _choices()
_USED = (_PAIRS != _NONE).astype(float)
_TAU_OF = np.where(_PAIRS == _NONE, 1.0, TAUS_MIN[np.minimum(_PAIRS - 2, len(TAUS_MIN) - 1)])
_SLOW = _USED * (_TAU_OF >= SLOW_FROM_MIN)
_LEVEL_PRIOR = 1e-6
_RIDGE = 1e-9
_MODE_PRIOR = np.diag([_REMAINDER_SD**-2] * len(TAUS_MIN) + [1.0])


@dataclass(frozen=True, slots=True)
class Caution:
    """How far the models are believed to be what nature does.

    Attributes:
        shape: Error of the shape, relative to how far salinity then was from now.
        trust: Power to which the evidence is raised; 1 believes in the models.
        extrapolation: Relative error of what each mode says is left.
    """

    shape: float
    trust: float
    extrapolation: float


CAUTIOUS = Caution(shape=0.06, trust=0.5, extrapolation=1.0)


@dataclass(frozen=True, slots=True)
class Outlook:
    """The models with their weights: what each says is left.

    Attributes:
        weight: Posterior probability of each model.
        remaining: What each says salinity will yet rise, mean.
        spread: Standard deviation of that.
        first: Share of the first (faster) mode, mean.
        second: Share of the second mode, mean.
        tau_first_min: Time constant of the first mode, minutes.
        tau_second_min: Of the second.
        fitted: Fitted values of the best model, one a cell given.
    """

    weight: Floats
    remaining: Floats
    spread: Floats
    first: Floats
    second: Floats
    tau_first_min: Floats
    tau_second_min: Floats
    fitted: Floats


def normal_below(z: Floats) -> Floats:
    """Return the standard normal probability below `z`, good to 2e-4.

    Source: logistic approximation with a cubic term (Page, 1977; from memory).
    """
    x = np.minimum(np.maximum(z, -8.0), 8.0)
    return np.asarray(1.0 / (1.0 + np.exp(-x * (1.5976 + 0.070566 * x * x))))


def weigh_models(
    age: npt.NDArray[np.int64],
    departure: Floats,
    temperature_rate: Floats,
    noise_var: float,
    caution: Caution,
) -> Outlook:
    """Weigh all models on the cells given.

    Args:
        age: Cells before now, 0 is the newest.
        departure: Salinity less its present level, a cell.
        temperature_rate: dT/dt, K/min, a cell.
        noise_var: Variance that one cell adds, autocorrelation included.
        caution: How far to believe the models.
    """
    shape_var = (caution.shape * departure * (1.0 + np.abs(departure) / _FAR)) ** 2
    fading = 1.0 + (age * (CELL_S / 60.0 / _FADES_MIN)) ** 2
    precision = 1.0 / (noise_var * fading + shape_var)
    design = np.zeros((len(age), _NONE + 1))
    design[:, 0] = 1.0
    design[:, 1] = temperature_rate
    design[:, 2:_NONE] = _MODES[age]
    weighted = design * precision[:, None]
    gram = weighted.T @ design
    moment = weighted.T @ departure
    total = float(precision @ departure**2)

    shared, reduced = _shared_inverse(gram), moment[2:]
    across = shared @ gram[:2, 2:]
    own = gram[2:, 2:] - gram[:2, 2:].T @ across + _MODE_PRIOR
    reduced = reduced - across.T @ moment[:2]
    cov, mean, log_det = _by_pairs(own, reduced)
    explained = float(moment[:2] @ shared @ moment[:2]) + (reduced[_PAIRS - 2] * mean).sum(axis=1)
    evidence = caution.trust * 0.5 * (explained - total - log_det)
    best = int(np.argmax(evidence))
    modes = design[:, _PAIRS[best]]
    rest = shared @ (moment[:2] - gram[:2, _PAIRS[best]] @ mean[best])
    fitted = design[:, :2] @ rest + modes @ mean[best]
    return _signed(mean, cov, evidence, fitted, caution.extrapolation)


def _shared_inverse(gram: Floats) -> Floats:
    """Return the inverse of the block of the final value and the lag, which all models share."""
    a, b, c = gram[0, 0] + _LEVEL_PRIOR, gram[0, 1], gram[1, 1] + _LAG_SD**-2
    return np.asarray(np.array([[c, -b], [-b, a]]) / (a * c - b * b))


def _by_pairs(own: Floats, reduced: Floats) -> tuple[Floats, Floats, Floats]:
    """Solve each pair of modes, the shared columns being eliminated.

    Returns variance of the first, of the second and their covariance, a model;
    the means of both; and the logarithm of the determinant.
    """
    first, second = _PAIRS[:, 0] - 2, _PAIRS[:, 1] - 2
    var = own.diagonal()
    one, other = var[first], var[second]
    size = np.sqrt(one * other)
    r = own[first, second] * (_PAIRS[:, 0] != _PAIRS[:, 1]) / size
    free = np.maximum((1.0 + _RIDGE) ** 2 - r * r, _RIDGE)
    cov = np.stack([1.0 / (one * free), 1.0 / (other * free), -r / (size * free)], axis=1)
    x, y = reduced[first], reduced[second]
    mean = np.stack([cov[:, 0] * x + cov[:, 2] * y, cov[:, 2] * x + cov[:, 1] * y], axis=1)
    return cov, mean, np.log(one) + np.log(other) + np.log(free)


def _signed(
    mean: Floats, cov: Floats, evidence: Floats, fitted: Floats, extrapolation: float
) -> Outlook:
    """Give slow modes their sign: salt still to come is never negative."""
    left = -mean * _USED
    var_each = np.maximum(cov[:, :2], 1e-12)
    cross = cov[:, 2] * _USED[:, 1]
    var_rest = var_each[:, 0] * _USED[:, 0] + var_each[:, 1] * _USED[:, 1] + 2.0 * cross
    total = left.sum(axis=1)
    for which in (0, 1):
        sd = np.sqrt(var_each[:, which])
        z = left[:, which] / sd
        above = normal_below(z)
        hazard = np.exp(-0.5 * np.clip(z, -8.0, 8.0) ** 2) / (2.5066 * np.maximum(above, 1e-9))
        on = _SLOW[:, which]
        rise = sd * hazard * on
        share = (var_each[:, which] * _USED[:, which] + cross) / var_each[:, which]
        shrink = np.clip(hazard * (hazard + z), 0.0, 0.999) * on
        left[:, which] += rise
        total = total + share * rise
        var_rest = var_rest - share**2 * var_each[:, which] * shrink
        evidence = evidence + on * np.log(np.maximum(2.0 * above, 1e-12))
    var_rest = var_rest + extrapolation**2 * (left**2 * _USED).sum(axis=1)
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    return Outlook(
        weight=weight,
        remaining=total,
        spread=np.sqrt(np.maximum(var_rest, 1e-10)),
        first=left[:, 0],
        second=left[:, 1],
        tau_first_min=_TAU_OF[:, 0],
        tau_second_min=_TAU_OF[:, 1],
        fitted=fitted,
    )


def chance_beyond(outlook: Outlook, limit: float) -> float:
    """Return the probability that more than `limit` is still to come, up or down."""
    over = normal_below((outlook.remaining - limit) / outlook.spread)
    under = normal_below((-limit - outlook.remaining) / outlook.spread)
    return float(outlook.weight @ (over + under))

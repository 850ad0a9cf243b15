"""The model of a cohort, in NumPyro.

For lesion i at visit j, on the log scale,

    log y_ij ~ Normal(log P + a_i + x_ij . b + log share(t_ij - d_i - e_i), (factor * s_ij)^2)

``share`` is a logistic or Gompertz rise from 0 to 1 with a half-rise day and a rate that all lesions have in common;
``a_i`` (log plateau) and ``d_i`` (day shift) are a lesion's own, Student-t so that a few odd lesions do not move the
rest (Lange, Little, Taylor 1989), and share a part among lesions of one patient; ``e_i`` is the error of an uncertain
onset; ``x`` is the acquisition; ``s_ij`` the error that the table's interval states, times one factor for all, since
stated intervals hold more than what differs between two scans of a lesion. A value below a floor counts as lying
below it, no more (left-censored, Beal 2001): faint mineral hides under any threshold.

Visits that end by excision are informative where the surgeon removes what grows fastest. What a value already seen
explains is harmless to a likelihood (Rubin 1976); the rest is a joint term: whether a lesion was excised is a
logistic regression on its own day shift and plateau (shared-parameter model, Wu and Carroll 1988).

Why NumPyro: a compiled no-U-turn sampler that runs in seconds on one core, takes arrays as arguments (so that a
hundred simulated cohorts of one shape compile once), and is installed by one wheel without a compiler. It is
maintained and openly licensed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import jax
import jax.numpy as jnp
import numpyro
import numpyro.distributions as dist

from .start import LEAST_STEPS

FAMILIES = ("logistic", "gompertz")
LN2 = 0.6931471805599453


@dataclass(frozen=True)
class Priors:
    """Widths of the priors: log half-rise day around the median day; rate times median day around ``steepness``; log
    plateau around the median lesion's highest value; half-normal spreads between lesions (of the day
    shift as a share of the median day); log-normal factor on errors; acquisition effects; excision on a lesion's own.

    They are wide against what is published: half-rise within a factor 7 either way, plateau within a factor 20.
    """

    log_half_rise_sd: float = 1.0
    steepness: float = 3.0
    log_steepness_sd: float = 0.9
    log_plateau_sd: float = 1.5
    day_shift_share: float = 0.4
    log_plateau_spread: float = 1.0
    log_error_factor_sd: float = 0.5
    covariate_sd: float = 0.2
    excision_sd: float = 1.5
    tail_least: float = 3.0
    tail_rate: float = 0.1


PRIORS = Priors()


@dataclass(frozen=True)
class Terms:
    """What the model holds beyond the curve; each set of terms is compiled once per shape."""

    family: str = "logistic"
    nested: bool = False
    onset_uncertain: bool = False
    informative_ends: bool = False
    limits: bool = False


def log_share(family: str, steps: Any) -> Any:
    """Log of the share of the plateau; ``steps`` is rate times (day - half-rise day), so 0 gives one half."""
    if family == "gompertz":
        return -LN2 * jnp.exp(-jnp.maximum(steps, LEAST_STEPS))
    return -jax.nn.softplus(-steps)


def model(data: Mapping[str, Any], terms: Terms, priors: Priors = PRIORS) -> None:
    """The joint density; ``data`` as :func:`~.arrays.plain` and :func:`~.start.coordinates` give it together."""
    p = priors
    half_rise = jnp.exp(p.log_half_rise_sd * numpyro.sample("u_half_rise", dist.Normal(0, 1)))
    off_rate = p.log_steepness_sd * numpyro.sample("u_rate", dist.Normal(0, 1))
    rate = p.steepness * jnp.exp(off_rate)
    level = p.log_plateau_sd * numpyro.sample("u_plateau", dist.Normal(0, 1))
    factor = jnp.exp(p.log_error_factor_sd * numpyro.sample("u_factor", dist.Normal(0, 1)))
    tail = p.tail_least + numpyro.sample("tail", dist.Gamma(2.0, p.tail_rate))
    spread = jnp.array([p.day_shift_share, p.log_plateau_spread]) * numpyro.sample(
        "u_spread", dist.HalfNormal(jnp.ones(2))
    )
    slopes = p.covariate_sd * numpyro.sample("u_slopes", dist.Normal(jnp.zeros(3), 1.0))
    lesions = data["known"].shape[0]
    typical = jnp.stack([half_rise, level])
    middle, own_share = jnp.broadcast_to(typical, (lesions, 2)), jnp.asarray(1.0)
    if terms.nested:
        common = numpyro.sample("patient_share", dist.Beta(1.0, 1.0))
        drawn = numpyro.sample("z_patient", dist.Normal(jnp.zeros((lesions, 2)), 1.0))
        own_share = jnp.sqrt(1.0 - common)
        middle = middle + (spread * jnp.sqrt(common) * drawn)[data["patient"]]
    onset = jnp.zeros(lesions)
    if terms.onset_uncertain:
        onset = data["onset_sd"] * numpyro.sample("z_onset", dist.Normal(jnp.zeros(lesions), 1.0))
        middle = middle.at[:, 0].add(onset)
    at = _around(middle, spread * own_share, tail, off_rate, data)
    shift, lift = at[:, 0] - half_rise - onset, at[:, 1] - level
    log_share_now = log_share(terms.family, rate * (data["day"] - at[:, :1]))
    mean = at[:, 1:] + data["covariates"] @ slopes + log_share_now
    off = (data["log_value"] - mean) / (factor * data["log_sd"])
    density = -0.5 * off**2 - jnp.log(factor)
    if terms.limits:
        density = jnp.where(data["below"], jax.scipy.special.log_ndtr(off), density)
    numpyro.factor("scans", jnp.sum(jnp.where(data["seen"], density, 0.0)))
    if terms.informative_ends:
        weights = p.excision_sd * numpyro.sample("u_excision", dist.Normal(jnp.zeros(3), 1.0))
        ratio = weights[0] + weights[1] * shift / p.day_shift_share + weights[2] * lift / p.log_plateau_spread
        ends = data["excised"] * ratio - jax.nn.softplus(ratio)
        numpyro.factor("ends", jnp.sum(jnp.where(data["known"], ends, 0.0)))
    for name, value in (
        ("half_rise", half_rise), ("rate", rate), ("level", level), ("error_factor", factor), ("spread", spread),
        ("tail_freedom", tail), ("slopes", slopes), ("shift", shift), ("lift", lift), ("onset_error", onset),
    ):  # fmt: skip
        numpyro.deterministic(name, value)


def _around(middle: Any, spread: Any, tail: Any, off_rate: Any, data: Mapping[str, Any]) -> Any:
    """Half-rise day and level of every lesion (L, 2): Student-t around ``middle``, in coordinates that sample well.

    Three fixed changes of coordinates, none of which changes the density. ``centred`` in [0, 1] moves between
    sampling a lesion's level itself, right where its visits show it, and its distance from the middle in units of the
    spread, right where they do not (Papaspiliopoulos, Roberts, Skoeld 2007). ``root`` and ``mode`` turn and stretch
    each lesion's two coordinates to those of a crude fit; ``by_rate`` moves them along as the common rate changes.
    """
    lesions = data["known"].shape[0]
    drawn = numpyro.sample("w", dist.Normal(jnp.zeros((lesions, 2)), 1.0))
    turned = jnp.einsum("lij,lj->li", data["root"], drawn)
    z = data["mode"] + turned + data["by_rate"] * (off_rate - data["off_rate"])
    centred = data["centred"]
    log_spread = jnp.log(spread)
    density = dist.StudentT(tail, centred * middle, jnp.exp(centred * log_spread)).log_prob(z)
    # The normal density of ``drawn`` serves lesions that only fill up the array; for the others it is taken back.
    own = jnp.where(data["known"][:, None], density + 0.5 * drawn**2, 0.0)
    numpyro.factor("lesions", jnp.sum(own))
    return middle + jnp.exp((1.0 - centred) * log_spread) * (z - centred * middle)


def described(priors: Priors = PRIORS) -> dict[str, float]:
    """The priors by name."""
    return asdict(priors)

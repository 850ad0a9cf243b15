"""Drawing from the model: seeded, compiled once per shape, with its own account of how well it went."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any, cast

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
from numpy.typing import NDArray
from numpyro.diagnostics import effective_sample_size, split_gelman_rubin
from numpyro.infer.hmc import hmc
from numpyro.infer.util import constrain_fn, potential_energy

from .arrays import Arrays, plain
from .model import PRIORS, Priors, Terms, model
from .start import Start, coordinates, crude_start

# Single precision loses the tails of a log likelihood; this is a switch of the whole process.
numpyro.enable_x64()

POPULATION = ("half_rise", "rate", "level", "spread", "error_factor")
"""What must have converged: everything that is printed of the cohort as a whole."""


@dataclass(frozen=True)
class Effort:
    """How much is drawn: ``chains`` side by side, ``warmup`` steps thrown away and ``draws`` kept of each."""

    chains: int = 4
    warmup: int = 400
    draws: int = 500
    careful: float = 0.85

    def doubled(self) -> Effort:
        """A second, more careful try."""
        return Effort(self.chains, 2 * self.warmup, 2 * self.draws, 0.98)


TREE_DEPTH = 8
"""Longest walk of one draw is two to this power of steps; in these coordinates most take 15."""
LEAST_SCATTER = 0.05
"""Standard deviation at least by which chains begin apart, where the lesions of a crude fit are all alike."""
FULL = Effort()
BRIEF = Effort(2, 300, 300)
"""For planning, where only the width of an interval is asked for."""


@dataclass(frozen=True)
class Diagnostics:
    """Largest R-hat (Gelman-Rubin of split chains), smallest effective sample size, share of divergent draws."""

    r_hat: float
    effective_draws: float
    divergent: int
    draws: int


@dataclass(frozen=True)
class Draws:
    """Draws by name, chains put end to end: (draws,) or (draws, lesions, ...), and how well they were made."""

    values: Mapping[str, NDArray[np.float64]]
    diagnostics: Diagnostics
    start: Start

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self.values[name]


def terms_of(arrays: Arrays, family: str = "logistic", *, ends: bool = True) -> Terms:
    """What the data ask for beyond the curve."""
    return Terms(family, arrays.nested, arrays.onset_uncertain, ends and arrays.informative_ends, arrays.limits)


@lru_cache(maxsize=32)
def _chain(terms: Terms, priors: Priors, effort: Effort) -> Callable[..., Any]:
    """One chain from warm-up to named draws, as one compiled function of a key, data and a starting place.

    Compiled once per shape of the data: the whole chain is one function of arrays, so nothing is traced again for the
    next cohort. Chains run one after the other, which costs no more on a few cores and compiles in a fraction.
    """
    density = partial(model, terms=terms, priors=priors)

    def potential(data: Any) -> Any:
        return partial(potential_energy, density, (data,), {})

    def run(key: Any, data: Any, first: Any) -> Any:
        begin, step = hmc(potential_fn_gen=potential, algo="NUTS")
        state = begin(
            first,
            effort.warmup,
            step_size=0.3,
            target_accept_prob=effort.careful,
            max_tree_depth=TREE_DEPTH,
            model_args=(data,),
            rng_key=key,
        )

        def advance(held: Any, _: Any) -> Any:
            return step(held, model_args=(data,)), None

        def keep(held: Any, _: Any) -> Any:
            held = step(held, model_args=(data,))
            return held, (held.z, held.diverging)

        state, _ = jax.lax.scan(advance, state, None, length=effort.warmup)
        _, (places, diverging) = jax.lax.scan(keep, state, None, length=effort.draws)
        named = partial(constrain_fn, density, (data,), {}, return_deterministic=True)
        return jax.lax.map(named, places), diverging

    return cast(Callable[..., Any], jax.jit(run))


def sample(
    arrays: Arrays,
    terms: Terms,
    *,
    seed: int = 0,
    effort: Effort = FULL,
    priors: Priors = PRIORS,
    on_step: Callable[[str, int, int], None] | None = None,
) -> Draws:
    """Draws from the posterior; the same arguments give the same draws on one machine."""
    start = crude_start(arrays, priors.steepness, terms.family)
    data = {key: jnp.asarray(value) for key, value in (plain(arrays) | coordinates(start)).items()}
    firsts = _first_places(arrays, terms, priors, start, effort.chains, seed=seed)
    chain = _chain(terms, priors, effort)
    made = []
    for number, key in enumerate(jax.random.split(jax.random.PRNGKey(seed), effort.chains)):
        if on_step is not None:
            on_step("draw from the model", number, effort.chains)
        first = {name: value[number] for name, value in firsts.items()}
        made.append(jax.tree.map(np.asarray, chain(key, data, first)))
    chains = {name: np.stack([values[name] for values, _ in made]) for name in made[0][0]}
    divergent = int(sum(diverging.sum() for _, diverging in made))
    together = {name: value.reshape(-1, *value.shape[2:]) for name, value in chains.items()}
    return Draws(together, _diagnose(chains, divergent), start)


def _diagnose(chains: Mapping[str, NDArray[np.float64]], divergent: int) -> Diagnostics:
    r_hat = max(float(np.max(split_gelman_rubin(chains[name]))) for name in POPULATION)
    effective = min(float(np.min(effective_sample_size(chains[name]))) for name in POPULATION)
    size = chains["half_rise"].size
    return Diagnostics(r_hat, effective, divergent, size)


def _first_places(
    arrays: Arrays, terms: Terms, priors: Priors, start: Start, chains: int, *, seed: int
) -> dict[str, Any]:
    """Unconstrained starting values, one row per chain, scattered around the crude fit."""
    made = np.random.default_rng(seed)
    lesions = arrays.day.shape[0]

    def around(value: Any, spread: float = 0.1) -> Any:
        middle = np.broadcast_to(np.asarray(value, float), (chains, *np.shape(value)))
        return jnp.asarray(middle + spread * made.standard_normal(middle.shape))

    spread = np.maximum(np.std(start.lesions[arrays.known], axis=0), LEAST_SCATTER)
    units = np.array([priors.day_shift_share, priors.log_plateau_spread])
    places: dict[str, Any] = {
        "u_half_rise": around(np.log(start.half_rise) / priors.log_half_rise_sd),
        "u_rate": around(start.off_rate / priors.log_steepness_sd),
        "u_plateau": around(start.level / priors.log_plateau_sd, 0.05),
        "u_factor": around(0.0),
        "tail": around(np.log(10.0)),
        "u_spread": around(np.log(spread / units)),
        "u_slopes": around(np.zeros(3)),
        "w": around(np.zeros((lesions, 2)), 0.5),
    }
    if terms.nested:
        places["patient_share"] = around(0.0)
        places["z_patient"] = around(np.zeros((lesions, 2)))
    if terms.onset_uncertain:
        places["z_onset"] = around(np.zeros(lesions))
    if terms.informative_ends:
        places["u_excision"] = around(np.zeros(3))
    return places

"""Invented cohorts with known truth: tables of a rising quantity, as numbers only.

Written from the description of the quantities, and by another formula than any fit would use: the rise is a logistic
written with the hyperbolic tangent, in the natural scale, and errors are multiplied onto it. An independent judge.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

COLUMNS = ("case", "scan", "day", "quantity", "value", "low", "high", "unit", "trust", "reason")


@dataclass(frozen=True)
class Kind:
    """How a cohort is made. Days and milligrams; spreads of lesions in days and on the natural logarithm."""

    name: str
    lesions: int = 40
    visits: tuple[int, int] = (2, 6)
    first_day: tuple[float, float] = (12.0, 60.0)
    last_day: tuple[float, float] = (120.0, 320.0)
    missing: float = 0.0
    half_rise_day: float = 55.0
    rate_per_day: float = 0.06
    plateau_mg: float = 1500.0
    shift_sd_days: float = 9.0
    log_plateau_sd: float = 0.5
    tail_freedom: float = math.inf
    error: tuple[float, float] = (0.04, 0.12)
    onset_within_days: float = 0.0
    lesions_per_patient: int = 1
    excise_fastest: bool = False


@dataclass(frozen=True)
class Made:
    """One cohort: table rows, what else is known of each case, and the truth."""

    rows: tuple[dict[str, str], ...]
    cases: tuple[dict[str, str], ...]
    half_rise_day: float
    plateau_mg: float
    kind: Kind

    def share(self, days: np.ndarray) -> np.ndarray:
        """Share of the plateau that a lesion without a shift has reached."""
        return 0.5 * (1.0 + np.tanh(0.5 * self.kind.rate_per_day * (np.asarray(days) - self.half_rise_day)))

    def new_lesion(self, days: np.ndarray, random: np.random.Generator) -> np.ndarray:
        """The true course (mg) of another lesion of the same kind."""
        shift, lift = _own(self.kind, random)
        return self.plateau_mg * math.exp(lift) * self.share(np.asarray(days) - shift)


KINDS = {
    kind.name: kind
    for kind in (
        Kind("ordinary"),
        Kind("small", lesions=14),
        Kind("large", lesions=80),
        Kind("two-visits", visits=(2, 3)),
        Kind("missing-visits", visits=(3, 6), missing=0.3),
        Kind("onset-to-10-days", onset_within_days=10.0),
        Kind("heavy-tailed", tail_freedom=3.0),
        Kind("excised-fastest", visits=(4, 6), excise_fastest=True),
        Kind("two-lesions-each", lesions_per_patient=2),
        Kind("late-only", first_day=(150.0, 200.0), last_day=(260.0, 360.0)),
        Kind("early-only", first_day=(10.0, 20.0), last_day=(28.0, 38.0), visits=(2, 3)),
    )
}


def make(kind: Kind, seed: int) -> Made:
    """A cohort of a kind; the truth itself is drawn around that of the kind, so that no prior is centred on it."""
    random = np.random.default_rng((seed, sum(kind.name.encode())))
    half_rise = kind.half_rise_day * math.exp(0.25 * random.standard_normal())
    plateau = kind.plateau_mg * math.exp(0.5 * random.standard_normal())
    rows: list[dict[str, str]] = []
    cases: list[dict[str, str]] = []
    common = (0.0, 0.0)
    for i in range(kind.lesions):
        if kind.lesions_per_patient > 1:
            # Half of a lesion's own variance belongs to its patient.
            if i % kind.lesions_per_patient == 0:
                common = _own(kind, random)
            own = _own(kind, random)
            shift, lift = ((a + b) / math.sqrt(2.0) for a, b in zip(common, own, strict=True))
        else:
            shift, lift = _own(kind, random)
        name = f"P-{i // kind.lesions_per_patient + 1:03d}" + ("ab"[i % 2] if kind.lesions_per_patient > 1 else "")
        found, excised = _visits(kind, random, name, half_rise + shift, plateau * math.exp(lift))
        rows += found
        cases.append(
            {
                "case": name,
                "patient": f"P-{i // kind.lesions_per_patient + 1:03d}",
                "onset_within_days": f"{kind.onset_within_days:g}",
                "ended_by": "excision" if excised else "",
            }
        )
    return Made(tuple(rows), tuple(cases), half_rise, plateau, kind)


def _own(kind: Kind, random: np.random.Generator) -> tuple[float, float]:
    stretch = 1.0
    if math.isfinite(kind.tail_freedom):
        # A normal over the root of a chi-square share has Student's tails.
        stretch = 1.0 / math.sqrt(random.chisquare(kind.tail_freedom) / kind.tail_freedom)
    other = 1.0
    if math.isfinite(kind.tail_freedom):
        other = 1.0 / math.sqrt(random.chisquare(kind.tail_freedom) / kind.tail_freedom)
    return (
        kind.shift_sd_days * stretch * random.standard_normal(),
        kind.log_plateau_sd * other * random.standard_normal(),
    )


def _visits(
    kind: Kind, random: np.random.Generator, name: str, half_rise: float, plateau: float
) -> tuple[list[dict[str, str]], bool]:
    count = int(random.integers(kind.visits[0], kind.visits[1] + 1))
    first, last = random.uniform(*kind.first_day), random.uniform(*kind.last_day)
    days = np.sort(np.unique(np.round(np.r_[first, random.uniform(first, last, max(count - 2, 0)), last][:count])))
    said = random.uniform(-kind.onset_within_days, kind.onset_within_days) if kind.onset_within_days else 0.0
    rows: list[dict[str, str]] = []
    previous: tuple[float, float] | None = None
    excised = False
    for number, day in enumerate(days, 1):
        if kind.missing and random.random() < kind.missing and number > 1:
            continue
        true = plateau * 0.5 * (1.0 + math.tanh(0.5 * kind.rate_per_day * (day - half_rise)))
        error = random.uniform(*kind.error)
        value = true * math.exp(error * random.standard_normal())
        # The table's day counts from the day that was said to be the onset.
        row_day = max(round(day - said), 0)
        rows.append(_row(name, number, row_day, value, error))
        if kind.excise_fastest and previous is not None:
            grown = (value - previous[1]) / max(day - previous[0], 1.0)
            if grown > 15.0 and random.random() < 0.7:
                excised = True
                break
        previous = (float(day), value)
    return rows, excised


def _row(name: str, scan: int, day: float, value: float, error: float) -> dict[str, str]:
    low, high = value * math.exp(-1.96 * error), value * math.exp(1.96 * error)
    cells = (name, scan, day, "mineral_mass", f"{value:.8g}", f"{low:.8g}", f"{high:.8g}", "mg", "ok", "")
    return {column: str(cell) for column, cell in zip(COLUMNS, cells, strict=True)}


def write(made: Made, folder: Path) -> tuple[Path, Path]:
    """``measurements.csv`` and ``about.csv`` (what is known of each case) in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    table, about = folder / "measurements.csv", folder / "about.csv"
    for path, rows in ((table, made.rows), (about, made.cases)):
        with path.open("w", encoding="utf-8", newline="") as handle:
            writer = csv.DictWriter(handle, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    return table, about


PRIOR_DAY, PRIOR_PLATEAU_MG = 80.0, 1500.0
PRIOR_NAMES = ("half_rise_day", "plateau", "rate_per_day", "day_shift_scale", "log_plateau_scale", "error_factor")


def from_prior(seed: int, lesions: int = 16) -> tuple[tuple[dict[str, str], ...], dict[str, float]]:
    """(table rows, parameters) of a cohort whose parameters are drawn from the priors as they are documented.

    For simulation-based calibration (Talts and others 2018): log half-rise day normal around that of 80 days, sd 1; log
    of rate times 80 days normal around log 3, sd 0.9; log plateau normal around that of 1500 mg, sd 1.5; half-normal
    spreads of 0.4 times 80 days and of 1; 3 + gamma(2, rate 0.1) degrees of freedom; log error factor sd 0.5.
    """
    random = np.random.default_rng((seed, 2018))
    half_rise = PRIOR_DAY * math.exp(random.standard_normal())
    rate = 3.0 / PRIOR_DAY * math.exp(0.9 * random.standard_normal())
    plateau = PRIOR_PLATEAU_MG * math.exp(1.5 * random.standard_normal())
    factor = math.exp(0.5 * random.standard_normal())
    freedom = 3.0 + random.gamma(2.0, 10.0)
    spread = 0.4 * PRIOR_DAY * abs(random.standard_normal()), abs(random.standard_normal())
    rows: list[dict[str, str]] = []
    for i in range(lesions):
        shift, lift = (s * random.standard_t(freedom) for s in spread)
        days = np.sort(random.uniform(10.0, 260.0, 4))
        for number, day in enumerate(days, 1):
            error = random.uniform(0.04, 0.12)
            # The logarithm of a logistic, without overflow on either side.
            log_share = -np.logaddexp(0.0, -rate * (day - half_rise - shift))
            value = math.exp(math.log(plateau) + lift + log_share + factor * error * random.standard_normal())
            rows.append(_row(f"S-{i + 1:02d}", number, round(float(day), 6), max(value, 1e-9), error))
    truth = (half_rise, plateau, rate, *spread, factor)
    return tuple(rows), dict(zip(PRIOR_NAMES, truth, strict=True))


def several(kind: Kind, seeds: range) -> Iterator[Made]:
    """One cohort per seed."""
    for seed in seeds:
        yield make(kind, seed)

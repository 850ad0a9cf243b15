"""Curves fitted to invented cohorts whose truth is known, by a generator that shares no code with the model."""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from scipy import stats

from mineralize import cohort
from mineralize.base import InputError
from phantoms import cohorts

EFFORT = (2, 300, 500)
"""Chains, warm-up and draws of one fit here: half of what a result takes, enough for a 95 % interval."""
NEW_LESIONS = 60
RANK_DRAWS, RANK_BINS = 63, 8
WORST_R_HAT = 1.05
DAYS = np.array([20.0, 45.0, 70.0, 110.0, 180.0, 260.0])


def main(argv: Sequence[str] | None = None) -> int:
    top = argparse.ArgumentParser(description=__doc__)
    top.add_argument("--set", dest="which", choices=("coverage", "calibration"), required=True)
    top.add_argument("--kinds", default=",".join(cohorts.KINDS), help="of cohorts, by name (default: all)")
    top.add_argument(
        "--seeds", default="0-9", metavar="A-B", help="of the cohorts (of each kind; default: %(default)s)"
    )
    top.add_argument("--out", metavar="FILE", type=Path, help="also write what is printed to a file")
    given = top.parse_args(argv)
    first, _, last = given.seeds.partition("-")
    seeds = range(int(first), int(last or first) + 1)
    lines: list[str] = []

    def say(text: str) -> None:
        print(text, flush=True)
        lines.append(text)
        if given.out is not None:
            given.out.write_text("\n".join(lines) + "\n", encoding="utf-8")

    shown = f" --kinds {given.kinds}" if given.kinds != ",".join(cohorts.KINDS) else ""
    say(
        f"scripts/validate_cohort --set {given.which} --seeds {given.seeds}{shown if given.which == 'coverage' else ''}"
    )
    started = time.monotonic()
    if given.which == "coverage":
        coverage(given.kinds.split(","), seeds, say)
    else:
        calibration(seeds, say)
    print(f"{time.monotonic() - started:.0f} s", file=sys.stderr)
    return 0


def coverage(kinds: Sequence[str], seeds: range, say) -> None:
    """For each kind: how often the 95 % intervals hold the truth, and what share of new lesions lies in their band."""
    total: list[tuple[bool, bool, float]] = []
    say("kind               fits refused  half-rise in  plateau in  new lesions in band  width: half-rise  plateau")
    for name in kinds:
        held, refused, widths = [], 0, []
        for made in cohorts.several(cohorts.KINDS[name], seeds):
            try:
                fit = fitted(made)
            except InputError:
                refused += 1
                continue
            half, top = (np.quantile(draws, (0.025, 0.975)) for draws in (fit.half_rise_day, fit.plateau))
            widths.append((half[1] - half[0], 100 * (top[1] - top[0]) / made.plateau_mg))
            held.append(
                (
                    bool(half[0] <= made.half_rise_day <= half[1]),
                    bool(top[0] <= made.plateau_mg <= top[1]),
                    new_lesions_inside(fit, made),
                )
            )
        total += held
        say(f"{name:18s} {len(held):4d} {refused:7d}  {row(held)}  {width(widths)}")
    say(f"{'all':18s} {len(total):4d} {'':7s}  {row(total)}")
    say("in the row 'all': 95 % intervals of the first two shares (Clopper-Pearson) " + ", ".join(exact(total)))


def fitted(made: cohorts.Made) -> cohort.CohortFit:
    """The fit of an invented cohort, read from its table as a user's would be."""
    with tempfile.TemporaryDirectory() as folder:
        table, about = cohorts.write(made, Path(folder))
        held = cohort.read_cohort([table], "mineral_mass", about)
    return cohort.fit_cohort(held, effort=cohort.Effort(*EFFORT), compared=False)


def new_lesions_inside(fit: cohort.CohortFit, made: cohorts.Made) -> float:
    """Share of true values of lesions never seen that lie in the band of new lesions."""
    rows = cohort.curve_band(fit)
    days = [r.day for r in rows]
    at = DAYS[max(days) >= DAYS]
    low, high = (np.interp(at, days, [getattr(r, key) for r in rows]) for key in ("new_low", "new_high"))
    random = np.random.default_rng((7, int(1000 * made.plateau_mg)))
    courses = np.stack([made.new_lesion(at, random) for _ in range(NEW_LESIONS)])
    return float(np.mean((courses >= low) & (courses <= high)))


def row(held: list[tuple[bool, bool, float]]) -> str:
    if not held:
        return f"{'-':>12s}  {'-':>10s}  {'-':>19s}"
    shares = [100 * float(np.mean([h[k] for h in held])) for k in range(3)]
    return f"{shares[0]:10.0f} %  {shares[1]:8.0f} %  {shares[2]:17.1f} %"


def width(widths: list[tuple[float, float]]) -> str:
    if not widths:
        return ""
    return f"{np.median([w[0] for w in widths]):11.1f} days {np.median([w[1] for w in widths]):6.0f} %"


def exact(total: list[tuple[bool, bool, float]]) -> list[str]:
    out = []
    for k, name in enumerate(("half-rise", "plateau")):
        hits = int(sum(h[k] for h in total))
        found = stats.binomtest(hits, max(len(total), 1)).proportion_ci(method="exact")
        out.append(f"{name} {hits} of {len(total)}: {100 * found.low:.0f} to {100 * found.high:.0f} %")
    return out


def calibration(seeds: range, say) -> None:
    """Ranks of the truth among thinned draws, for parameters drawn from the priors (Talts and others 2018)."""
    ranks: dict[str, list[int]] = {name: [] for name in cohorts.PRIOR_NAMES}
    bad = 0
    for done, seed in enumerate(seeds):
        print(f"{done} of {len(seeds)}", file=sys.stderr, flush=True)
        rows, truth = cohorts.from_prior(seed)
        fit = fit_of_rows(rows)
        bad += fit.diagnostics.r_hat > WORST_R_HAT
        drawn = {
            "half_rise_day": fit.half_rise_day,
            "plateau": fit.plateau,
            "rate_per_day": fit.rate_per_day,
            "day_shift_scale": cohorts.PRIOR_DAY * fit.draws["spread"][:, 0],
            "log_plateau_scale": fit.draws["spread"][:, 1],
            "error_factor": fit.draws["error_factor"],
        }
        for name, values in drawn.items():
            thin = values[np.linspace(0, len(values) - 1, RANK_DRAWS).astype(int)]
            ranks[name].append(int((thin < truth[name]).sum()))
    say(
        f"{len(seeds)} cohorts, ranks among {RANK_DRAWS} draws in {RANK_BINS} bins; "
        f"{bad} with R-hat above {WORST_R_HAT}"
    )
    for name, held in ranks.items():
        counts = np.bincount(np.array(held) * RANK_BINS // (RANK_DRAWS + 1), minlength=RANK_BINS)
        p = stats.chisquare(counts).pvalue
        say(f"{name:18s} {' '.join(f'{c:3d}' for c in counts)}   chi-square p {p:.2f}")


def fit_of_rows(rows: Sequence[dict[str, str]]) -> cohort.CohortFit:
    """The fit of table rows with the priors centred where the truth was drawn; nothing is refused."""
    by_case: dict[str, list[cohort.Visit]] = {}
    for r in rows:
        numbers = (float(r[key]) for key in ("day", "value", "low", "high"))
        by_case.setdefault(r["case"], []).append(cohort.Visit(int(r["scan"]), *numbers))
    lesions = tuple(cohort.Lesion(case, case, tuple(visits)) for case, visits in by_case.items())
    scales = cohort.Scales(cohorts.PRIOR_DAY, math.log(cohorts.PRIOR_PLATEAU_MG))
    held = cohort.Cohort("mineral_mass", "mg", lesions)
    return cohort.fit_cohort(held, effort=cohort.Effort(*EFFORT), scales=scales, checked=False)

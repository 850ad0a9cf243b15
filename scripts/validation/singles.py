"""What single scans say: outlines against true surfaces, and mineral against what the scanner was set to."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from . import limits as promised
from .cases import CORNERS, FACTORS, SWEEP_SCAN, SWEPT
from .limits import Check
from .runs import Outcome, Row
from .surfaces import Outlined

VOLUMES = {100: "mineral_volume_100", 130: "mineral_volume_130", 150: "mineral_volume", 200: "mineral_volume_200",
           300: "mineral_volume_300"}  # fmt: skip


@dataclass(frozen=True)
class Swept:
    """One scan of a sweep. ``mass`` and ``volumes`` (threshold in HU at 120 kV to value) are relative to truth."""

    lesion: str
    setting: str
    seed: int
    trust: str
    reason: str
    mass: float
    low: float
    high: float
    volumes: dict[int, float]

    @property
    def factor(self) -> str:
        """The factor that differs from the base, ``base`` or ``corner``."""
        if self.setting == "base" or self.setting in CORNERS:
            return "base" if self.setting == "base" else "corner"
        return self.setting.partition("-")[0]

    @property
    def value(self) -> str:
        return self.setting.partition("-")[2]


def outlined(outcomes: Iterable[Outcome]) -> list[Outlined]:
    return [made for o in outcomes for made in o.outlined]


def swept(outcomes: Iterable[Outcome]) -> list[Swept]:
    """Every scan of the sweeps; NaN where a value is withheld."""
    found = []
    for o in outcomes:
        if o.job.kind != "sweep" or not o.rows:
            continue
        rows = {r.quantity: r for r in o.rows}
        lesion, _, setting = o.job.variant.partition(":")
        mass = rows["mineral_mass"]
        found.append(
            Swept(
                lesion, setting, o.job.seed, mass.trust, mass.reason, *_to_truth(mass),
                {t: _to_truth(rows[name])[0] for t, name in VOLUMES.items()},
            )
        )  # fmt: skip
    return found


def _to_truth(row: Row) -> tuple[float, float, float]:
    if row.measured is None or row.low is None or row.high is None or not row.truth:
        return math.nan, math.nan, math.nan
    return row.measured / row.truth, row.low / row.truth, row.high / row.truth


def base_of(rows: Sequence[Swept], lesion: str, seed: int) -> Swept | None:
    return next((r for r in rows if (r.lesion, r.setting, r.seed) == (lesion, "base", seed)), None)


def factor_rows(rows: Sequence[Swept], lesion: str, factor: str, seed: int) -> list[tuple[str, Swept]]:
    """(value, scan) of one factor in the order of its values, the base among them."""
    known = {r.value: r for r in rows if (r.lesion, r.factor, r.seed) == (lesion, factor, seed)}
    base = base_of(rows, lesion, seed)
    found = []
    for value in FACTORS[factor][0]:
        row = base if value == SWEEP_SCAN[factor] else known.get(str(value))
        if row is not None:
            found.append((str(value), row))
    return found


def spread(values: Iterable[float]) -> float:
    """Largest less smallest, over their mean."""
    held = [v for v in values if math.isfinite(v)]
    return (max(held) - min(held)) / (sum(held) / len(held)) if len(held) > 1 else math.nan


# ---- promises ------------------------------------------------------------------------------------
def checks(outcomes: Sequence[Outcome]) -> list[Check]:
    """Every promise about outlines and sweeps that these runs can judge."""
    return _outline_checks(outlined(outcomes)) + _sweep_checks(swept(outcomes))


def _outline_checks(made: Sequence[Outlined]) -> list[Check]:
    shells = [m for m in made if m.mineral]
    trusted, doubtful = ([m for m in shells if m.trust == trust] for trust in ("ok", "caution"))
    bridged = [m for m in trusted if math.isfinite(m.gaps.mean)]
    gap, far, doubt = promised.OUTLINE_GAP_MM, promised.OUTLINE_P95_MM, promised.OUTLINE_CAUTION_MM
    found = [
        _within("trusted outlines: mean surface distance within half a pixel", "pixel", trusted,
                lambda m: m.whole.mean / m.pixel_mm, 0.5),
        _within(f"trusted outlines: 95th percentile within {far:g} mm", "mm", trusted, lambda m: m.whole.p95, far),
        _within(f"trusted outlines: mean in the gaps within {gap:g} mm", "mm", bridged, lambda m: m.gaps.mean, gap),
        _within(f"outlines with caution: mean surface distance within {doubt:g} mm", "mm", doubtful,
                lambda m: m.whole.mean, doubt),
    ]  # fmt: skip
    bare = [m for m in made if not m.mineral]
    clear = [m for m in bare if abs(m.soft_hu) >= promised.CONTRAST_HU]
    if clear:
        poor = [m for m in clear if not m.measured or m.whole.mean > promised.MARGIN_MM]
        worst = max((m.whole.mean for m in clear if m.measured), default=math.nan)
        text = f"no mineral, {promised.CONTRAST_HU:g} HU of contrast or more: outlined within {promised.MARGIN_MM:g} mm"
        words = f"{len(clear) - len(poor)} of {len(clear)}, worst mean {worst:.2f} mm, {_names(poor)}"
        found.append(Check(f"{text} on average", words, not poor))
    unclear = [m for m in bare if abs(m.soft_hu) < promised.CONTRAST_HU]
    if unclear:
        bold = [m for m in unclear if m.trust == "ok" or (m.measured and m.whole.mean > promised.MARGIN_MM)]
        words = f"{sum(not m.measured for m in unclear)} of {len(unclear)} withheld, {_names(bold)}"
        found.append(Check("no mineral and less contrast: withheld, or right", words, not bold))
    return [c for c in found if c is not None]


def _within(
    text: str, unit: str, made: Sequence[Outlined], value: Callable[[Outlined], float], limit: float
) -> Check | None:
    if not made:
        return None
    beyond = [m for m in made if value(m) > limit]
    return Check(text, f"worst {max(value(m) for m in made):.2f} {unit} of {len(made)}, {_names(beyond)}", not beyond)


def _sweep_checks(rows: Sequence[Swept]) -> list[Check]:
    if not rows:
        return []
    given = [r for r in rows if math.isfinite(r.mass)]
    off = [r for r in given if abs(r.mass - 1) > promised.SWEEP_SHARE]
    worst = max((abs(r.mass - 1) for r in given), default=math.nan)
    words = f"worst {100 * worst:.1f} % of {len(given)} scans ({len(rows) - len(given)} withheld), {_settings(off)}"
    share = f"{100 * promised.SWEEP_SHARE:g} %"
    found = [Check(f"sweeps: mineral mass within {share} of truth", words, not off if given else None)]
    moved, worst = [], math.nan
    for row in given:
        base = base_of(rows, row.lesion, row.seed)
        if base is None or not math.isfinite(base.mass):
            continue
        by = abs(row.mass / base.mass - 1)
        worst = by if math.isnan(worst) else max(worst, by)
        if by > promised.SWEEP_SHARE:
            moved.append(row)
    words = f"worst {100 * worst:.1f} %, {_settings(moved)}"
    found.append(Check(f"sweeps: mineral mass within {share} of the base scan", words, not moved if given else None))
    return found


def _names(made: Sequence[Outlined]) -> str:
    return "none beyond" if not made else f"{len(made)} beyond: " + ", ".join(m.case for m in made)


def _settings(rows: Sequence[Swept]) -> str:
    return "none beyond" if not rows else f"{len(rows)} beyond: " + ", ".join(f"{r.lesion} {r.setting}" for r in rows)


# ---- text ----------------------------------------------------------------------------------------
def lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Both tables as text; nothing where neither set was run."""
    return _outline_lines(outlined(outcomes)) + _sweep_lines(swept(outcomes))


def _outline_lines(made: Sequence[Outlined]) -> list[str]:
    if not made:
        return []
    found = [
        "",
        "outlines against the true surface (mm; of both directions the larger; gaps: true surface without mineral)",
        f"  {'case':<20}{'seed':>5}{'longest':>8}{'slice':>6}{'pixel':>6} |{'volume':>8}{'mean':>7}{'p95':>7} |"
        f"{'gaps':>6}{'mean':>7}{'p95':>7} |{'bone':>6}{'mean':>7}  {'drawn by':<15}{'trust':<9}reason",
    ]
    for m in made:
        found.append(
            f"  {m.case:<20}{m.seed:>5}{m.longest_mm:>8.1f}{m.slice_mm:>6.2f}{m.pixel_mm:>6.2f} |"
            f"{_percent(m.volume_error):>8}{_mm(m.whole.mean):>7}{_mm(m.whole.p95):>7} |"
            f"{100 * m.gaps.share:>5.0f}%{_mm(m.gaps.mean):>7}{_mm(m.gaps.p95):>7} |"
            f"{100 * m.bone.share:>5.0f}%{_mm(m.bone.mean):>7}  {m.method:<15}{m.trust:<9}{m.reason[:110]}"
        )
    shells = [m for m in made if m.mineral and m.measured]
    for trust in ("ok", "caution"):
        own = [m for m in shells if m.trust == trust]
        if own:
            gaps = [m.gaps.mean for m in own if math.isfinite(m.gaps.mean)]
            volume, mean = (median(v) for v in ([abs(m.volume_error) for m in own], [m.whole.mean for m in own]))
            found.append(
                f"  {trust}: {len(own)} of {sum(m.mineral for m in made)} with mineral, medians: volume "
                f"{100 * volume:.1f} %, mean {mean:.2f}, "
                f"95th {median(m.whole.p95 for m in own):.2f}, gaps {median(gaps) if gaps else math.nan:.2f} mm"
            )
    return found


def _sweep_lines(rows: Sequence[Swept]) -> list[str]:
    if not rows:
        return []
    found = ["", "sweeps: value over truth, one factor at a time (volumes over thresholds in HU at 120 kV)"]
    for lesion in SWEPT:
        for seed in sorted({r.seed for r in rows if r.lesion == lesion}):
            found += [
                f"  {lesion}, seed {seed}",
                f"    {'factor':<18}{'mass':>8}{'low':>8}{'high':>8} |" + "".join(f"{'v' + str(t):>8}" for t in VOLUMES)
                + "  trust",
            ]  # fmt: skip
            for factor, (_, unit) in FACTORS.items():
                own = factor_rows(rows, lesion, factor, seed)
                found += [_sweep_line(f"{factor.removesuffix('_mm')} {value} {unit}", row) for value, row in own]
                ranges = [spread(r.volumes[t] for _, r in own) for t in VOLUMES]
                found.append(
                    f"    {'  range':<18}{_percent(spread(r.mass for _, r in own), ''):>8}{'':>16} |"
                    + "".join(f"{_percent(v, ''):>8}" for v in ranges)
                )
            found += [
                _sweep_line(r.setting, r) for r in rows if (r.lesion, r.factor, r.seed) == (lesion, "corner", seed)
            ]
            everything = [r for r in rows if (r.lesion, r.seed) == (lesion, seed)]
            ranges = [spread(r.volumes[t] for r in everything) for t in VOLUMES]
            found.append(
                f"    {'range of all':<18}{_percent(spread(r.mass for r in everything), ''):>8}{'':>16} |"
                + "".join(f"{_percent(v, ''):>8}" for v in ranges)
            )
    return found


def _sweep_line(name: str, row: Swept) -> str:
    figures = "".join(f"{_share(v):>8}" for v in (row.mass, row.low, row.high))
    volumes = "".join(f"{_share(v):>8}" for v in row.volumes.values())
    return f"    {name.strip():<18}{figures} |{volumes}  {row.trust} {row.reason[:80]}".rstrip()


def _mm(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else "-"


def _share(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else "-"


def _percent(value: float, sign: str = "+") -> str:
    return f"{100 * value:{sign}.1f}%" if math.isfinite(value) else "-"

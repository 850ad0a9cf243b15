"""Page parts for single scans and for changes: outlines, sweeps, false alarms, verdicts."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from typing import Any

import matplotlib.pyplot as plt

from . import limits as promised
from .cases import FACTORS, SWEPT
from .changes import MAIN, false_alarms, gained, lines, steps_of
from .page_parts import LOOK, image, left, table
from .report import percent, verdict_rows
from .runs import Outcome, Step
from .singles import VOLUMES, factor_rows, outlined, spread, swept
from .surfaces import Outlined

FACTOR_WORDS = {
    "kvp": "tube voltage, kV", "slice_mm": "slices, mm", "kernel": "kernel", "noise": "noise, HU",
    "field_mm": "field of view, mm",
}  # fmt: skip
SHADES = {100: "#b9d7c5", 130: "#8fbfa4", 150: "#1f6b35", 200: "#c99a5b", 300: "#8a5a1c"}


def outlines(outcomes: Sequence[Outcome]) -> list[str]:
    """Pictures and the table of outlines against true surfaces."""
    made = outlined(outcomes)
    if not made:
        return []
    return [
        "<h2>Outlines against the true surface</h2>",
        "<p>Distances both ways between the outline and the phantom's own surface, of both the larger; gaps are parts "
        "of the true surface that carry no mineral. Limits are own judgement: where trusted, a mean of half a pixel, "
        f"a 95th percentile of {promised.OUTLINE_P95_MM:g} mm, a mean of {promised.OUTLINE_GAP_MM:g} mm in the gaps; "
        f"with caution, a mean of {promised.OUTLINE_CAUTION_MM:g} mm (dashed).</p>",
        _outline_pictures(made),
        _outline_table(made),
    ]


def _outline_pictures(made: Sequence[Outlined]) -> str:
    panels: tuple[tuple[str, str, Callable[[Outlined], float], str, bool], ...] = (
        ("size-", "longest diameter, mm", lambda m: m.longest_mm, "size", True),
        ("shell-", "shell, mm", lambda m: m.shell_mm, "thickness of the shell", True),
        ("complete-", "completeness", lambda m: m.completeness, "completeness", False),
        ("no-mineral-", "lesion less muscle, HU", lambda m: m.soft_hu, "no mineral: contrast", False),
    )
    figure, axes = plt.subplots(1, 4, figsize=(15, 3.7), layout="constrained", sharey=True)
    for axis, (start, label, value, title, logarithmic) in zip(axes, panels, strict=True):
        own = [m for m in made if m.case.startswith(start) and (m.mineral or m.case[len(start) :].isdigit())]
        for m in own:
            mark, colour = (LOOK[m.trust][0], LOOK[m.trust][1]) if m.trust in LOOK else ("x", "#777777")
            for where, face in ((m.whole.mean, colour), (m.gaps.mean if m.mineral else math.nan, "none")):
                axis.plot([value(m)], [max(where, 0.02)], mark, color=colour, mfc=face, ms=6)
        limit = promised.MARGIN_MM if start == "no-mineral-" else promised.OUTLINE_CAUTION_MM
        axis.axhline(limit, color="#a3180f", lw=1, ls="--")
        axis.set(title=title, xlabel=label, yscale="log", ylim=(0.02, 20))
        axis.set_yticks([0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10], labels=["0.05", "0.1", "0.2", "0.5", "1", "2", "5", "10"])
        axis.minorticks_off()
        if logarithmic and own:
            axis.set(xscale="log")
            values = sorted({round(value(m), 1) for m in own})
            axis.set_xticks(values, labels=[f"{v:g}" for v in values], fontsize=8, rotation=45)
            axis.minorticks_off()
    axes[0].set(ylabel="mean surface distance, mm")
    for name, mark, colour, face in (
        ("whole, trusted", "o", "#1b4f8a", "#1b4f8a"), ("gaps, trusted", "o", "#1b4f8a", "none"),
        ("caution", "^", "#c4690a", "#c4690a"), ("withheld", "x", "#777777", "#777777"),
    ):  # fmt: skip
        axes[-1].plot([], [], mark, color=colour, mfc=face, label=name)
    axes[-1].legend(frameon=False, fontsize=8)
    return image(figure, "mean surface distance against size, shell, completeness and contrast")


def _outline_table(made: Sequence[Outlined]) -> str:
    def mm(value: float) -> str:
        return f"{value:.2f}" if math.isfinite(value) else "-"

    return table(
        ("lesion", "longest", "slice", "volume", "mean", "95th", "gaps", "mean", "95th", "bone", "mean", "drawn by",
         "trust", "reason"),
        (
            (
                m.case, f"{m.longest_mm:.0f}", f"{m.slice_mm:g}",
                f"{100 * m.volume_error:+.1f} %" if math.isfinite(m.volume_error) else "-", mm(m.whole.mean),
                mm(m.whole.p95), f"{percent(m.gaps.share)} %", mm(m.gaps.mean), mm(m.gaps.p95),
                f"{percent(m.bone.share)} %", mm(m.bone.mean), left(m.method, "short"), left(m.trust), left(m.reason),
            )
            for m in made
        ),
    )  # fmt: skip


def sweeps(outcomes: Sequence[Outcome]) -> list[str]:
    """One row of pictures per lesion: mass and threshold volumes over truth against every factor."""
    rows = swept(outcomes)
    parts = []
    for lesion in SWEPT:
        for seed in sorted({r.seed for r in rows if r.lesion == lesion}):
            own = [r for r in rows if (r.lesion, r.seed) == (lesion, seed)]
            figure, axes = plt.subplots(1, len(FACTORS), figsize=(15, 3.9), layout="constrained", sharey=True)
            for axis, factor in zip(axes, FACTORS, strict=True):
                _factor_picture(axis, factor, factor_rows(rows, lesion, factor, seed))
            axes[0].set(ylabel="measured over truth")
            figure.legend(*axes[0].get_legend_handles_labels(), loc="outside lower center", ncols=6, frameon=False)
            ranges = ", ".join(f"{percent(spread(r.volumes[t] for r in own))} % over {t} HU" for t in VOLUMES)
            parts += [
                f"<h3>{html.escape(lesion.replace('-', ', '))}, seed {seed}</h3>",
                image(figure, f"mineral mass and threshold volumes of the lesion {lesion} against scanner settings"),
                f"<p>Range over all {len(own)} scans, corners included: mass {percent(spread(r.mass for r in own))} %; "
                f"volume {ranges}.</p>",
            ]  # fmt: skip
    if not parts:
        return []
    head = (
        "<h2>Mineral over scanner settings</h2><p>One lesion, one factor changed at a time from a base scan (120 kV, "
        "1.5 mm, soft kernel, 12 HU, field of 400 mm). Mass with its 95 % interval; volumes over fixed thresholds at "
        f"120 kV beside it. Dashed: {100 * promised.SWEEP_SHARE:g} %, promised for the mass.</p>"
    )
    return [head, *parts]


def _factor_picture(axis: Any, factor: str, rows: Sequence[tuple[str, Any]]) -> None:
    at = list(range(len(rows)))
    for threshold, colour in SHADES.items():
        values = [r.volumes[threshold] for _, r in rows]
        axis.plot(at, values, "-", color=colour, lw=1.2, marker=".", label=f"volume over {threshold} HU")
    mass = [r.mass for _, r in rows]
    errors = [[r.mass - r.low for _, r in rows], [r.high - r.mass for _, r in rows]]
    axis.errorbar(at, mass, yerr=errors, fmt="o-", color="#1b4f8a", lw=1.8, capsize=2, label="mass")
    axis.axhline(1, color="#777", lw=1)
    for end in (1 - promised.SWEEP_SHARE, 1 + promised.SWEEP_SHARE):
        axis.axhline(end, color="#a3180f", lw=1, ls="--")
    axis.set_xticks(at, labels=[v.removesuffix(".0") for v, _ in rows])
    axis.set(xlabel=FACTOR_WORDS[factor], xlim=(-0.4, max(len(rows), 1) - 0.6))


def changes(outcomes: Sequence[Outcome]) -> list[str]:
    """Measured against true change, and the counts."""
    steps = [s for s in steps_of(outcomes) if s.quantity in MAIN and s.percent is not None]
    told = lines(outcomes)
    if not steps or not told:
        return []
    figure, axes = plt.subplots(1, 3, figsize=(15, 4.2), layout="constrained")
    for axis, quantity in zip(axes, ("mineral_mass", "lesion_volume", "rim_core_ratio"), strict=True):
        _change_picture(axis, [s for s in steps if s.quantity == quantity])
        axis.set(title=quantity.replace("_", " "), xlabel="true change, %", ylabel="measured change, %")
    axes[0].legend(frameon=False, fontsize=8)
    return [
        "<h2>Changes</h2><p>Every pair of scans. Real means that the interval of the change excludes zero and the "
        "change exceeds the limit of its quantity.</p>",
        image(figure, "measured change against true change"),
        f"<pre>{html.escape(chr(10).join(told).strip())}</pre>",
        f"<p>{len(false_alarms(steps))} false alarms and "
        f"{sum(s.real != 'yes' for s in gained(steps))} missed gains among the quantities shown.</p>",
    ]


def _change_picture(axis: Any, steps: Sequence[Step]) -> None:
    for real, mark, colour in (("no", "o", "#6b6b6b"), ("unsure", "^", "#c4690a"), ("yes", "s", "#1b4f8a")):
        own = [s for s in steps if s.real == real]
        axis.plot(
            [s.true_percent for s in own], [s.percent for s in own], mark, color=colour, ms=4, alpha=0.7,
            label={"no": "not real", "unsure": "unsure", "yes": "real"}[real],
        )  # fmt: skip
    if steps:
        ends = [min(s.true_percent for s in steps) - 2, max(s.true_percent for s in steps) + 2]
        axis.plot(ends, ends, color="#777", lw=1)


def verdicts(outcomes: Sequence[Outcome]) -> list[str]:
    """The table of verdict against error for spoiled histories."""
    head, rows = verdict_rows(outcomes)
    if not rows:
        return []
    return [
        "<h2>Spoiled scans: verdict against actual error</h2><p>Error of the value and its trust; withheld values have "
        "none. What was spoiled stands in the last column.</p>",
        table(head, ([left(c, "short" if len(c) < 40 else "word") for c in row] for row in rows)),
    ]

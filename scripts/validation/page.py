"""One page: the promises, the summary, and for each promised quantity its errors in pictures."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt

from . import page_sets
from .limits import LIMITS, Limit
from .page_parts import LOOK, image, left, table
from .report import number, percent
from .runs import Lined, Outcome, Row
from .summary import STRATA, checks, error_of, far_misses, silent, strata, summaries

STYLE = """
body { font: 15px/1.5 system-ui, sans-serif; color: #1c1c1c; max-width: 76rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin-top: 2.2rem; }
table { border-collapse: collapse; font-size: .86rem; font-variant-numeric: tabular-nums; }
th, td { padding: .18rem .7rem .18rem 0; text-align: right; border-bottom: 1px solid #ddd; vertical-align: top; }
th:first-child, td:first-child, td.word, td.short, th.word { text-align: left; } td.short { white-space: nowrap; }
.wide { overflow-x: auto; } img { width: 100%; } code { background: #f2f2f0; padding: .1rem .3rem; }
td.word { max-width: 34rem; } pre { font-size: .8rem; white-space: pre-wrap; background: #f7f7f5; padding: .6rem; }
.bad { color: #a3180f; font-weight: 600; } .good { color: #1f6b35; } .none { color: #6b6b6b; }
"""
FRAME = 2.5
"""Errors are drawn up to so many times the worst that is promised; what lies beyond is drawn at the edge."""
LOG_TICKS = {"size": (10, 20, 50, 100), "noise": (5, 10, 20, 40)}


def write_page(path: Path, outcomes: Sequence[Outcome], command: str) -> None:
    """Write the page, whole, without anything from the network."""
    rows = [r for o in outcomes for r in o.rows]
    scans = len({(r.history, r.seed, r.scan) for r in rows})
    parts = [
        "<h1>Phantoms against their truth</h1>",
        f"<p>{len(outcomes)} histories, {scans} scans, {len(rows)} values. "
        f"Made by <code>{html.escape(command)}</code>.</p>",
        "<p>Truth is integrated from the scene without blur and noise, by code that the measuring shares nothing with. "
        "A good scan is one of a history that was not spoiled, with the whole lesion in view, slices of at most 3 mm "
        "and at most a third of its least extent, at least a fifth of its outline mineralised, and nothing denser than "
        "bone can be; what the core is made of counts where the core reaches 3 mm from its middle.</p>",
        "<h2>Promises</h2>",
        _promises(outcomes),
        "<h2>Quantities</h2><p>Errors of trusted values: in % of truth, or in the quantity's unit. Inside: truth "
        "inside the 95 % interval, for trusted and for all values. Width: median of the whole interval.</p>",
        _quantities(rows),
        "<h2>Inside the interval, by class of scan</h2>",
        _strata(rows),
        "<h2>Silent failures</h2><p>Trusted, and further from truth than the worst error promised.</p>",
        _rows(silent(rows)),
        "<h2>Far outside the interval</h2><p>Trusted, and truth beyond the interval by more than its half width; the "
        "40 furthest.</p>",
        _rows(far_misses(rows)[:40]),
        "<h2>Alignment</h2>",
        _alignment([a for o in outcomes for a in o.lined]),
        *page_sets.outlines(outcomes),
        *page_sets.sweeps(outcomes),
        *page_sets.changes(outcomes),
        *page_sets.verdicts(outcomes),
    ]
    for quantity, limit in LIMITS.items():
        own = [r for r in rows if r.quantity == quantity and r.known]
        if own:
            parts += [
                f"<h2>{_word(quantity)}</h2><p>Promised where trusted: {limit.words()} (dashed). "
                "Errors beyond the frame are drawn at its edge.</p>",
                _pictures(own, limit),
            ]
    body = "\n".join(parts)
    path.write_text(
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Phantoms against their truth</title>'
        f"<style>{STYLE}</style><body>{body}</body></html>\n",
        encoding="utf-8",
    )


def _word(quantity: str) -> str:
    return quantity.replace("_", " ").capitalize()


def _promises(outcomes: Sequence[Outcome]) -> str:
    words = {True: ("held", "word good"), False: ("broken", "word bad"), None: ("too few to judge", "word none")}
    return table(
        ("promise", "found", ""),
        ((left(c.text), left(c.found), left(*words[c.held])) for c in checks(outcomes)),
    )


def _quantities(rows: Sequence[Row]) -> str:
    def cell(value: float, relative: bool) -> str:
        return number(100 * value if relative else value, 3) + (" %" if relative and math.isfinite(value) else "")

    return table(
        (
            "quantity", "n", "trusted", "caution", "withheld", "median error", "worst", "bias", "inside, trusted",
            "inside, all", "width",
        ),
        (
            (
                q.name, str(q.count), str(q.ok), str(q.caution), str(q.withheld), cell(q.median_error, q.relative),
                cell(q.worst_error, q.relative), cell(q.bias, q.relative), f"{percent(q.covered_ok)} %",
                f"{percent(q.covered)} %", cell(q.width, q.relative),
            )
            for q in summaries(rows)
        ),
    )  # fmt: skip


def _strata(rows: Sequence[Row]) -> str:
    return table(
        ("by", "class", "values", "inside", "least covered quantity"),
        (
            (s.name, left(s.label), str(s.count), f"{percent(s.covered)} %", left(s.lowest))
            for s in strata(rows)
            if s.count
        ),
    )


def _rows(rows: Sequence[Row]) -> str:
    return table(
        ("history", "seed", "scan", "quantity", "truth", "measured", "low", "high", "error"),
        (
            (
                r.history,
                str(r.seed),
                str(r.scan),
                left(r.quantity),
                *(number(v) for v in (r.truth, r.measured, r.low, r.high, r.error)),
            )
            for r in rows
        ),
    )


def _alignment(lined: Sequence[Lined]) -> str:
    real = [a for a in lined if a.possible and math.isfinite(a.error_mm) and 0 < a.sd_mm < math.inf]
    if not real:
        return "<p>None.</p>"
    figure, axes = plt.subplots(figsize=(6, 4), layout="constrained")
    for trust, (mark, colour, word) in {**LOOK, "withheld": ("x", "#a3180f", "withheld")}.items():
        own = [a for a in real if a.trust == trust]
        if own:
            axes.plot(
                [a.sd_mm for a in own], [max(a.error_mm, 1e-3) for a in own], mark, color=colour, label=word, alpha=0.7
            )
    ends = [min(a.sd_mm for a in real), max(a.sd_mm for a in real)]
    axes.plot(ends, [2 * e for e in ends], color="#777", lw=1, label="twice the standard error")
    axes.set(xscale="log", yscale="log", xlabel="predicted standard error, mm", ylabel="error at the lesion, mm")
    axes.legend(frameon=False, fontsize=8)
    return (
        f'<div style="max-width: 40rem">{image(figure, "alignment error against its predicted standard error")}</div>'
    )


def _pictures(rows: Sequence[Row], limit: Limit) -> str:
    """Measured against truth, mean against difference, and the error against what may drive it."""
    scale = 100 if limit.relative else 1
    unit = "% of truth" if limit.relative else rows[0].unit.replace("1", "")
    word = f"error, {unit}" if unit else "error"
    figure, axes = plt.subplots(2, 4, figsize=(15, 7), layout="constrained")
    first, second, *rest = axes.ravel()
    values = [v for r in rows for v in (r.truth, r.measured) if v is not None]
    positive = [v for v in values if v > 0]
    logarithmic = limit.relative and bool(positive) and all((r.truth or 0) > 0 for r in rows)
    least = min(positive) if logarithmic else -math.inf  # a value of nothing stands at the foot of the scale
    for row_set, mark, colour, label in _by_trust(rows):
        first.plot(
            [r.truth for r in row_set],
            [max(r.measured or 0.0, least) for r in row_set],
            mark,
            color=colour,
            alpha=0.6,
            ms=4,
            label=label,
        )
        second.plot(
            [0.5 * ((r.truth or 0) + (r.measured or 0)) for r in row_set],
            _within([error_of(r, limit.relative) for r in row_set], limit),
            mark, color=colour, alpha=0.6, ms=4, clip_on=False,
        )  # fmt: skip
    ends = [max(min(values), least), max(values)]
    first.plot(ends, ends, color="#777", lw=1)
    first.set(xlabel="truth", ylabel="measured")
    first.legend(frameon=False, fontsize=8)
    _agreement(second, [scale * error_of(r, limit.relative) for r in rows if r.trust == "ok"])
    second.set(xlabel="mean of truth and measured", ylabel=word)
    second.set_ylim(-FRAME * scale * limit.worst, FRAME * scale * limit.worst)
    if logarithmic:
        first.set(xscale="log", yscale="log")
        second.set(xscale="log")
    for axis, (name, (value, _, size)) in zip(rest, STRATA.items(), strict=False):
        _error_against(axis, rows, value, limit)
        axis.set(xlabel=f"{name}, {size}" if size else name, ylabel=word)
        if name in LOG_TICKS:
            axis.set(xscale="log")
            axis.set_xticks(LOG_TICKS[name], labels=[str(v) for v in LOG_TICKS[name]])
            axis.minorticks_off()
    return image(figure, f"errors of {rows[0].quantity}")


def _by_trust(rows: Sequence[Row]) -> Iterable[tuple[list[Row], str, str, str]]:
    for trust, (mark, colour, word) in LOOK.items():
        own = [r for r in rows if r.trust == trust]
        if own:
            yield own, mark, colour, word


def _agreement(axis: Any, errors: Sequence[float]) -> None:
    """Mean difference and 95 % limits of agreement of trusted values (Bland and Altman, Lancet 1986)."""
    held = [e for e in errors if math.isfinite(e)]
    if len(held) < 3:
        return
    mean = sum(held) / len(held)
    spread = math.sqrt(sum((e - mean) ** 2 for e in held) / (len(held) - 1))
    axis.axhline(mean, color="#1b4f8a", lw=1)
    for end in (mean - 1.96 * spread, mean + 1.96 * spread):
        axis.axhline(end, color="#1b4f8a", lw=1, ls=":")


def _within(errors: Sequence[float], limit: Limit) -> list[float]:
    """Errors as they are drawn: in % where relative, held at the edge of the frame where they lie beyond it."""
    scale, edge = 100 if limit.relative else 1, FRAME * limit.worst
    return [scale * min(max(e, -edge), edge) for e in errors]


def _error_against(axis: Any, rows: Sequence[Row], value: Callable[[Row], float], limit: Limit) -> None:
    scale = 100 if limit.relative else 1
    for own, mark, colour, _ in _by_trust(rows):
        axis.plot(
            [value(r) for r in own],
            _within([error_of(r, limit.relative) for r in own], limit),
            mark,
            color=colour,
            alpha=0.6,
            ms=4,
            clip_on=False,
        )
    axis.set_ylim(-FRAME * scale * limit.worst, FRAME * scale * limit.worst)
    axis.axhline(0, color="#777", lw=1)
    for end in (-limit.worst, limit.worst):
        axis.axhline(scale * end, color="#a3180f", lw=1, ls="--")

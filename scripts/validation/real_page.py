"""Real scans as one page: slices to look at, what was offered and stated, and what a reader saw in them."""

from __future__ import annotations

import html
import textwrap
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.collections import LineCollection

from mineralize.base import sample

from .page import STYLE
from .page_parts import image, left, table
from .real import SOURCE, RealCase, Tried, mask_outline, sections
from .real_head import HeadResult
from .report import number

NOTES = Path(__file__).with_name("real_notes.toml")
MOST_PANELS = 30
MARGIN_MM = 18.0
WINDOW_HU = (-150.0, 350.0)
COLOURS = {"no seed": "#ff3b30", "seed at the middle of the drawn mask": "#ff9f0a"}
LEGEND = (
    "Red: outline without a seed. Orange: outline from the seed. Yellow: the drawn mask. Blue: what counts as bone. "
    "Violet: mineralised parts that do not. Green: 150 HU at 120 kV and more. Figures: candidates. "
    "Window -150 to 350 HU."
)
DRAWN = (
    "The drawn mask is the volume treated with radiation: drawn on another image and carried over, with margins, "
    "the whole tumour with its soft part. It is not the mineral and no truth for it; the figures say how far apart the "
    "two are."
)
SHOWN = (
    "lesion_volume", "longest_diameter", "mineral_mass", "mineral_volume", "rim_core_ratio", "rim_completeness",
    "largest_gap", "rim_thickness", "core_fat_fraction", "cortex_gap", "cortex_contact_area", "cleft_fraction",
    "perilesional_deficit", "reference_muscle", "fat_reference", "cortex_reference",
)  # fmt: skip


def notes() -> list[dict[str, Any]]:
    """What was seen by looking, as written down."""
    found: list[dict[str, Any]] = tomllib.loads(NOTES.read_text(encoding="utf-8"))["note"]
    return found


def write_page(path: Path, cases: Sequence[RealCase], head: HeadResult | None, command: str) -> None:
    """Write the page, whole, without anything from the network."""
    parts = [
        "<h1>Real scans</h1>",
        f"<p>Made by <code>{html.escape(command)}</code>. Scans: {html.escape(SOURCE)}.</p><p>{DRAWN}</p>",
    ]
    for case in cases:
        parts += _case(case)
    if head is not None:
        parts += ["<h2>One plastic head, scanned five times</h2>", *_paragraphs("head")]
        parts.append(f"<pre>{html.escape(chr(10).join(head.lines()))}</pre>")
    body = "\n".join(parts)
    path.write_text(
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>Real scans</title>'
        f"<style>{STYLE}</style><body>{body}</body></html>\n",
        encoding="utf-8",
    )


def _paragraphs(case: str) -> list[str]:
    found = []
    for note in notes():
        if note["case"] == case:
            head = f"Looked at on {note['looked']}, code {note['code']}: "
            found.append(f"<p><em>{html.escape(head)}</em>{html.escape(' '.join(note['text'].split()))}</p>")
    return found


def _case(case: RealCase) -> list[str]:
    parts = [
        f"<h2>{html.escape(case.name.capitalize())}</h2><p>{html.escape(case.words)}.</p>",
        *_paragraphs(case.name),
    ]
    rows = [
        (
            str(c.number), *(number(v, 3) for v in (c.mass_mg, c.extent_mm, c.bone_distance_mm)),
            left("yes" if inside else "no"), left(c.why),
        )
        for c, inside in zip(case.candidates, case.inside, strict=True)
    ]  # fmt: skip
    parts.append("<h3>Offered without a seed</h3>")
    parts.append(table(("number", "mg", "mm long", "mm from bone", "in the drawn mask", "why"), rows))
    for tried in case.tried:
        parts.append(f"<h3>{html.escape(tried.way.capitalize())}</h3><p>{html.escape(verdict(tried))}</p>")
        if tried.rows:
            parts.append(_quantities(tried))
    first, last = bounds(case)
    step = -(-(last - first) // MOST_PANELS)
    each = "every slice" if step == 1 else f"every {step}. slice"
    parts.append(f"<h3>Slices</h3><p>{each.capitalize()} through the drawn mask and the outlines. {LEGEND}</p>")
    parts.append(image(sheet(case, range(first, last, step)), f"slices of {case.name}"))
    return parts


def verdict(tried: Tried) -> str:
    """One line on what came of a way of running the line."""
    if tried.asked:
        return f"stopped and asked: {tried.asked}"
    if tried.outline is None:
        return "nothing outlined: " + "; ".join(tried.said)
    o = tried.outline
    text = f"{o.method}, {o.trust}" + (f" ({o.reason})" if o.reason else "")
    lap = tried.overlap
    if lap is None:
        return text
    return (
        f"{text}. {lap.volume_mm3 / 1000:.1f} cm3 against {lap.drawn_mm3 / 1000:.1f} drawn (ratio {lap.ratio:.2f}), "
        f"Dice {lap.dice:.2f}, surfaces {lap.mean_mm:.1f} mm apart on average, 95th percentile {lap.p95_mm:.1f} mm"
    )


def _quantities(tried: Tried) -> str:
    rows = [
        (m.quantity, *(number(v) for v in (m.value, m.low, m.high)), m.unit, left(m.trust), left(m.reason))
        for m in tried.rows
        if m.quantity in SHOWN
    ]
    return table(("quantity", "value", "low", "high", "unit", "trust", "reason"), rows)


def bounds(case: RealCase) -> tuple[int, int]:
    """First slice of the drawn mask and outlines, and the one after the last."""
    levels = [np.flatnonzero(case.drawn.any(axis=(1, 2)))]
    levels += [case.grid.to_index(t.outline.vertices)[:, 0] for t in case.tried if t.outline is not None]
    low, high = min(float(v.min()) for v in levels), max(float(v.max()) for v in levels)
    return max(int(low), 0), min(int(high) + 2, case.grid.shape[0])


def sheet(case: RealCase, levels: Sequence[int], columns: int = 5, inches: float = 3.2) -> Any:
    """Panels of slices, cropped to the drawn mask and a margin."""
    grid, hu = case.grid, case.seen.volume.hu
    lines = -(-len(levels) // columns)
    _, rows, cols = np.nonzero(case.drawn)
    pad = np.ceil(MARGIN_MM / grid.spacing[1:]).astype(int)
    top, bottom = max(rows.min() - pad[0], 0), min(rows.max() + pad[0], hu.shape[1] - 1)
    first, last = max(cols.min() - pad[1], 0), min(cols.max() + pad[1], hu.shape[2] - 1)
    tall = inches * (bottom - top + 1) / (last - first + 1)
    figure, axes = plt.subplots(lines, columns, figsize=(columns * inches, lines * tall), squeeze=False)
    figure.subplots_adjust(0, 0, 1, 1, 0.01, 0.01)
    for axis in axes.ravel():
        axis.axis("off")
    for axis, level in zip(axes.ravel(), levels, strict=False):
        _panel(axis, case, level)
        axis.set(xlim=(first - 0.5, last + 0.5), ylim=(bottom + 0.5, top - 0.5))
        axis.text(first + 1, top + 5, str(level), color="w", fontsize=7)
    return figure


def _panel(axis: Any, case: RealCase, level: int) -> None:
    volume, skeleton = case.seen.volume, case.seen.skeleton
    flat = volume.hu[level].astype(np.float32)
    axis.imshow(flat, cmap="gray", vmin=WINDOW_HU[0], vmax=WINDOW_HU[1], interpolation="nearest")
    row, column = np.mgrid[0 : flat.shape[0], 0 : flat.shape[1]]
    world = volume.grid.to_world(np.stack([np.full(row.shape, level), row, column], axis=-1))
    doubtful = np.isin(skeleton.labels, [b.label for b in skeleton.doubtful])
    for mask, colour in ((skeleton.mask, "#3fa7ff"), (doubtful, "#d58bff")):
        shown = sample(mask.astype(np.float32), skeleton.grid, world, outside=0.0)
        if shown.max() > 0.5:
            axis.contour(shown, [0.5], colors=colour, linewidths=0.6)
    dense = case.seen.reference.hu120(flat) >= 150.0
    if dense.any():
        axis.contour(dense.astype(float), [0.5], colors="#3ddc5a", linewidths=0.35)
    for line in mask_outline(case.drawn, level):
        axis.plot(line[:, 1], line[:, 0], color="#ffe14d", lw=0.7)
    for tried in case.tried:
        if tried.outline is not None and tried.way in COLOURS:
            cut = sections(tried.outline.vertices, tried.outline.faces, volume.grid, level)
            axis.add_collection(LineCollection(list(cut[..., ::-1]), colors=COLOURS[tried.way], linewidths=0.9))
    for c in case.candidates:
        at = volume.grid.to_index(c.point)
        if round(float(at[0])) == level:
            axis.text(at[2], at[1], str(c.number), color="#ff9f0a", fontsize=8)


def case_lines(case: RealCase) -> list[str]:
    """The same as text."""
    lines = ["", f"{case.name}: {case.words}"]
    lines += [
        f"  candidate {c.number}: {'in' if inside else 'outside'} the drawn mask; {c.why}; {c.bone_distance_mm:.0f} mm "
        f"from bone"
        for c, inside in zip(case.candidates, case.inside, strict=True)
    ] or ["  no candidates"]
    for tried in case.tried:
        lines += textwrap.wrap(f"{tried.way}: {verdict(tried)}", 116, initial_indent="  ", subsequent_indent="    ")
        for trust in ("ok", "caution", "withheld"):
            own = [m for m in tried.rows if m.trust == trust]
            if own:
                lines.append(f"    {trust}: {len(own)} of {len(tried.rows)}")
        for m in tried.rows:
            if m.quantity in SHOWN and m.value is not None:
                span = f"{number(m.value)} ({number(m.low)} to {number(m.high)}) {m.unit}"
                lines.append(f"      {m.quantity:<22}{span:<44}{m.trust}")
    return lines + note_lines(case.name)


def note_lines(case: str) -> list[str]:
    """What was seen in a case, as text."""
    lines = []
    for note in notes():
        if note["case"] == case:
            head = f"seen on {note['looked']}, code {note['code']}: "
            lines += textwrap.wrap(
                head + " ".join(note["text"].split()), 116, initial_indent="  ", subsequent_indent="    "
            )
    return lines

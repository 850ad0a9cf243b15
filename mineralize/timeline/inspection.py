"""What a case holds, what was chosen and why, as plain text lines for a terminal."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

from ..base import Note, Scan, SeriesRow
from .comparable import comparability
from .model import Timeline

_SCAN_HEAD = ("series", "slices", "spacing mm", "pixel mm", "kV", "kernel", "contrast", "maker")


def report(
    path: str | os.PathLike[str],
    *,
    keep_dates: bool = False,
    keep_identifiers: bool = False,
    on_step: Callable[[str, int, int], None] | None = None,
) -> str:
    """Read a case and tell what is there; raises what :func:`mineralize.timeline.read` raises."""
    from .read_case import read_case  # only who reads files needs the DICOM library

    case = read_case(path, on_step=on_step)
    return "\n".join(lines(case, keep_dates=keep_dates, keep_identifiers=keep_identifiers))


def lines(case: Timeline, *, keep_dates: bool = False, keep_identifiers: bool = False) -> list[str]:
    """The same for a time line that was read already."""
    result = [f"{case.alias}: {len(case.scans)} scan(s); day zero is the {case.day_zero}", ""]
    result += _table(
        ("scan", "day", *(("date",) if keep_dates else ()), *_SCAN_HEAD),
        [_scan(scan, keep_dates) for scan in case.scans],
    )
    if keep_identifiers:
        result += ["", "identifiers"]
        result += [f"  scan {s.number}  {name} {value}" for s in case.scans for name, value in s.identifiers.items()]
    result += ["", "series"]
    result += _table(("series", "images", "used", "score", "why"), [_series(row) for row in case.series])
    if len(case.scans) > 1:
        result += ["", "what could make scans unlike"]
        result += _table(
            ("", *(f"scan {scan.number}" for scan in case.scans), "what it could do"),
            [(row.what, *row.values, row.effect if row.differs else "alike") for row in comparability(case.scans)],
        )
    said = [*_about(case), *(f"{_mark(n)}{n.subject + ': ' if n.subject else ''}{n.text}" for n in _notes(case))]
    if said:
        result += ["", "remarks", *(f"  {line}" for line in said)]
    return result


def _scan(scan: Scan, keep_dates: bool) -> tuple[str, ...]:
    made, spacing = scan.acquisition, scan.grid.spacing
    voltage = f"{made.virtual_kev:g} keV" if made.virtual_kev is not None else _number(made.kvp)
    return (
        str(scan.number),
        str(scan.day),
        *((scan.date or "-",) if keep_dates else ()),
        scan.label,
        str(scan.grid.shape[0]),
        f"{spacing[0]:.2f}",
        f"{spacing[1]:.2f}",
        voltage,
        f"{made.kernel or '-'} ({made.kernel_class})",
        {True: "yes", False: "no", None: "not said"}[made.contrast_agent],
        made.manufacturer or "-",
    )


def _series(row: SeriesRow) -> tuple[str, ...]:
    score = f"{row.score:.0f}" if row.score is not None else "-"
    reason = row.reason.removeprefix(f"{row.label}: ")
    return (row.label, str(row.images), "yes" if row.chosen else "no", score, reason)


def _number(value: float | None) -> str:
    return f"{value:g}" if value is not None else "-"


def _about(case: Timeline) -> list[str]:
    found = [f"seed in scan {s.scan} at {', '.join(f'{v:g}' for v in s.point)} mm" for s in case.seeds]
    found += [f"{e.kind} on day {e.day}" for e in case.events]
    found += [f"biopsy site in scan {b.scan}" for b in case.biopsies]
    for offer in case.offered:
        size = f", {offer.volume_mm3 / 1000:.1f} cm3" if offer.volume_mm3 is not None else ""
        at = ", ".join(f"{v:.1f}" for v in offer.point)
        found.append(f"drawn before, place {offer.number}: {offer.kind} in scan {offer.scan} at {at} mm{size}")
    return found


def _notes(case: Timeline) -> list[Note]:
    # The table of series says already why a series was set aside.
    general = [n for n in case.notes if n.kind not in ("series-set-aside", "series-refused")]
    return [*general, *(n for scan in case.scans for n in scan.notes)]


def _mark(note: Note) -> str:
    return {"caution": "caution: ", "refused": "refused: "}.get(note.level, "")


def _table(head: Sequence[str], body: Sequence[Sequence[str]]) -> list[str]:
    """Columns padded to their widest cell; the last one runs free."""
    widths = [max(len(row[i]) for row in (head, *body)) for i in range(len(head) - 1)]
    return [
        "  " + "  ".join([*(cell.ljust(w) for cell, w in zip(row, widths, strict=False)), row[-1]]).rstrip()
        for row in (head, *body)
    ]

"""The lesion in another scan than the one it was pointed out in: by the alignment, beside it, or by itself.

Numbers below without another source are own judgement, held against truth by ``scripts/validate``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..align import Alignment
from ..base import Floats, Note, Settings, caution
from .candidates import clear_winner
from .find import candidates_of, find_lesion
from .margin import carried_over
from .outline import Outline
from .seen import SeenScan
from .slid import SLIDES_MM, own_body, within_reach

NEAR_ENOUGH_MM, NEAR_ENOUGH = 8.0, 0.6
"""What is found so far (mm, or share of the lesion's size) from where the alignment puts the lesion is taken for it."""


def outline_at(
    seen: SeenScan,
    alignment: Alignment,
    base: SeenScan,
    outlines: dict[int, Outline | None],
    own_seed: Floats | None,
    *,
    settings: Settings,
) -> tuple[Outline | None, list[Note]]:
    """Outline the lesion in another scan than the one it was pointed out in.

    Where the alignment is not trusted and no seed of the scan's own was given, a candidate that clearly wins is
    taken, and said; else the lesion counts as not found.

    Parameters
    ----------
    alignment : maps LPS mm of this scan to LPS mm of the base scan.
    outlines : those found so far, by scan number.
    own_seed : (3,) LPS mm in this scan, where the reader gave one.

    Returns
    -------
    outline, notes : ``None`` where the lesion was not found; a note then says why.
    """
    number = seen.scan.number
    subject = f"scan {number}"
    source = outlines.get(base.scan.number)
    if alignment.trust == "withheld":
        return _unaligned(seen, own_seed, alignment.reason, settings)
    back = alignment.transform.inverse()
    if source is None:
        if own_seed is None:
            text = "the lesion was outlined in no other scan"
            return None, [Note("lesion-not-found", text, "caution", subject)]
        return find_lesion(seen, own_seed, settings), []
    carried = carried_over(source, back, number)
    centre = carried.centroid
    if not seen.volume.grid.contains(centre):
        return None, [Note("lesion-not-found", "the lesion lies outside this scan", "caution", subject)]
    outline = find_lesion(seen, own_seed if own_seed is not None else centre, settings, expected=carried.ellipsoid)
    if outline is not None and seen.hand.of_the_margin:
        return outline, []
    size = float(np.linalg.norm(carried.vertices - centre, axis=1).max())
    off = np.inf if outline is None else float(np.linalg.norm(outline.centroid - centre))
    if outline is not None and off <= max(NEAR_ENOUGH_MM, NEAR_ENOUGH * size):
        return outline, []
    if own_seed is None:
        moved, notes = _slid(seen, base, source, centre, size, settings=settings)
        if moved is not None or notes:
            return moved, notes
    if outline is not None:
        text = f"what was found lies {off:.0f} mm from where the alignment puts the lesion"
        return None, [Note("lesion-not-found", text, "caution", subject)]
    text = "no mineral and no visible margin where the alignment puts the lesion"
    return carried, [Note("no-mineral", text, "info", subject)]


def _unaligned(
    seen: SeenScan, own_seed: Floats | None, why: str, settings: Settings
) -> tuple[Outline | None, list[Note]]:
    """The lesion at the scan's own seed, else the candidate that clearly wins; ``why`` no alignment tells."""
    subject = f"scan {seen.scan.number}"
    point, notes = own_seed, []
    if point is None:
        winner = clear_winner(candidates_of(seen))
        if winner is None:
            text = f"the alignment is not trusted ({why}) and no structure clearly is the lesion"
            return None, [Note("lesion-not-found", text, "caution", subject)]
        point = np.asarray(winner.point)
        notes = [Note("lesion-by-candidate", caution("by-candidate").text, "caution", subject)]
    outline = find_lesion(seen, point, settings)
    if outline is None:
        return None, [Note("lesion-not-found", "nothing to outline at the point given", "caution", subject)]
    if notes:
        outline = replace(outline, verdicts=(*outline.verdicts, caution("by-candidate")))
    return outline, notes


def _slid(
    seen: SeenScan, base: SeenScan, source: Outline, centre: Floats, size: float, *, settings: Settings
) -> tuple[Outline | None, list[Note]]:
    """The lesion beside where bone puts it, where one mineral body of its like lies within what muscle slides.

    Two that could be it are asked about; nothing and no note where there is none.
    """
    body = own_body(candidates_of(base), source.centroid, size)
    if body is None:
        return None, []
    shift = float(np.linalg.norm(np.subtract(body.point, source.centroid)))
    found = within_reach(candidates_of(seen), body, centre, shift)
    subject = f"scan {seen.scan.number}"
    if len(found) > 1:
        places = " or ".join(",".join(f"{v:.0f}" for v in c.point) for c in found)
        text = (
            f"{len(found)} mineral bodies like the lesion lie within {SLIDES_MM:.0f} mm of where bone puts it, at "
            f"{places}; say which with a seed of this scan in case.toml"
        )
        return None, [Note("lesion-not-found", text, "caution", subject)]
    outline = find_lesion(seen, found[0].point, settings) if found else None
    if outline is None or outline.trust == "withheld":
        return None, []
    by = caution("slid", mm=float(np.linalg.norm(outline.centroid - centre)))
    text = f"{by.text}; lesions like it were looked for up to {SLIDES_MM:.0f} mm away"
    return replace(outline, verdicts=(*outline.verdicts, by)), [Note("lesion-slid", text, "caution", subject)]

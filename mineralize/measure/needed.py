"""What the outline and the slices mean for a quantity, by what it needs of the outline: one rule for all of them."""

from __future__ import annotations

from ..base import Quantity, Verdict, Verdicts, caution, withhold
from .site import Site

THICK_MM, TOO_THICK_MM = 3.5, 5.05
"""Slices from which the outline along the scan axis is doubtful, and from which lengths along it are not stated."""
RIM_SPACING_MM = 3.0
"""Spacing of slices beyond which the rim is cautioned (`measurements.md` of the definitions: > 3 mm)."""
LEAST_BONE_MM3 = 60.0
"""Bone inside an outline from which nothing of it is stated: 70 mg at the density of cortex; own judgement."""
MOST_IN_BONE = 0.15
"""Share of the lesion in what passes for bone from which neither is measured; contact hides a few percent."""


def slices_mm(site: Site) -> float:
    """Slice thickness or spacing in mm, whichever is larger."""
    return max(site.reference.slice_mm, site.reference.slice_spacing_mm)


def allowed(site: Site, row: Quantity) -> Verdicts:
    """What limits a quantity whatever its value, from what it needs of the outline.

    An outline that is not known leaves nothing that rests on its surface or its middle. A locally doubtful one hardly
    moves the middle. How it crosses gaps does not move mineral that is seen (worst of own phantoms, random seeds
    2000-2039: mass 3 %, thickness 0.2 mm), and an unknown margin that leaves no mineral out only cautions a sum over
    it.
    """
    if row.needs == "nothing":
        return ()
    return (*_of_the_outline(site, row), *_of_the_slices(site, row), *_of_the_bone(site, row))


def _of_the_outline(site: Site, row: Quantity) -> Verdicts:
    outline = site.outline
    found = outline.verdicts
    if row.needs == "middle" and outline.doubt_is_local:
        return ()
    if row.needs in ("layer", "sum") and outline.trust == "caution":
        found = tuple(v for v in found if not v.kind.margin_only)
    if row.needs == "sum" and outline.holds_mineral:
        found = tuple(v.at("caution") for v in found)
    return found


def _of_the_slices(site: Site, row: Quantity) -> Verdicts:
    thick = slices_mm(site)
    found: list[Verdict] = []
    if thick > THICK_MM:
        found.append(caution("slices-blur-outline", slice_mm=thick))
    if row.long and thick > TOO_THICK_MM:
        found.append(withhold("slices-no-length", slice_mm=thick))
    if row.rim and thick > TOO_THICK_MM:
        found.append(withhold("slices-no-rim", slice_mm=thick))
    elif row.rim and site.reference.slice_spacing_mm > RIM_SPACING_MM:
        found.append(caution("slices-blur-rim", spacing_mm=site.reference.slice_spacing_mm))
    return tuple(found)


def _of_the_bone(site: Site, row: Quantity) -> Verdicts:
    """Withheld where the outline runs through what is taken for bone, or through what must be bone."""
    if site.running_on_mm3 > LEAST_BONE_MM3:
        return (withhold("bone-runs-through", mm3=site.running_on_mm3),)
    if row.surface_only:
        return ()
    share = site.hidden_mm3 / max(float(site.zones.lesion.sum() * site.voxel_mm3), 1e-9)
    return (withhold("bone-mixed", share=share),) if share > MOST_IN_BONE else ()

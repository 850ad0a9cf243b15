"""Sentences that the server says on the page; those of the page itself stand in its own files."""

from __future__ import annotations

from typing import Final

NEW: Final = "not looked at yet"
NEEDS_POINT: Final = "needs a point in the lesion"
POINTED: Final = "the lesion is pointed at; not measured yet"
NEW_FILES: Final = "measured, but files were added or removed since: measure again"
MEASURED: Final = "measured: {trusted} values trusted, {cautions} with caution, {withheld} withheld"
WITHHELD: Final = " (withheld because {why})"
CHANGED_SINCE: Final = "; changed since, measure again"
COVERED: Final = "covered until your impression of the slides is recorded"
COVERED_REFUSAL: Final = "findings are covered until an impression of the slides is recorded"
SET_ASIDE: Final = "{count} of {total} files are no images of a known kind and were left out"
NOTHING_DROPPED: Final = "none of what was dropped in is a DICOM file or an archive of such; nothing was kept"
NO_ROOM: Final = "the disk has not enough room for this; nothing was kept"

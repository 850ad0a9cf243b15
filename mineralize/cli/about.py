"""What longer helps say."""

from __future__ import annotations

SERVE = """\
Opens a page in the browser that does the whole job: drop scans in, point at
the lesion, correct the outline, mark the biopsy, record the impression, make
the summary. It answers to this machine only. What it saves is case.toml in
the case's own folder, and results in FOLDER/mineralize-results. Prints one
line, the start address, and runs until Ctrl+C."""

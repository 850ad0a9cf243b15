"""Archives of open data, unpacked under every Python that is supported."""

from __future__ import annotations

import shutil
import tarfile
from pathlib import Path
from typing import Any

SAFELY: dict[str, Any] = {"filter": "data"} if hasattr(tarfile, "data_filter") else {}
"""Later ones ask for it, those before 3.11.4 do not know it."""


def unpack(archive: Path, folder: Path) -> None:
    """Unpack a zip or a tar of whatever compression."""
    given = SAFELY if ".tar" in archive.suffixes else {}
    shutil.unpack_archive(archive, folder, **given)

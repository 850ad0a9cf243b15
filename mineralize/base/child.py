"""Child processes that run our own code and nothing that lies about.

A child of the interpreter looks for modules in the current folder and in what ``PYTHONPATH`` names, before the standard
library. A case folder is the current folder more often than not, and it comes from others: a ``copy.py`` in it must
neither run nor get in the way.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[2]


def isolated_python(module: str) -> list[str]:
    """The command that runs ``main()`` of one of our modules: standard library first, then this very package.

    What this process finds its libraries by stands behind it, without the current folder.
    """
    try:
        here = os.path.realpath(os.getcwd())
    except OSError:  # the folder is gone
        here = ""
    paths = [str(_ROOT), *(path for path in sys.path if path and os.path.realpath(path) != here)]
    code = f"import sys; sys.path += {paths!r}; from {module} import main; main()"
    return [sys.executable, "-I", "-S", "-c", code]

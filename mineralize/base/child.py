"""Child processes that run our own code and nothing that lies about.

A child of the interpreter looks for modules in the current folder and in what ``PYTHONPATH`` names, before the standard
library. A case folder is the current folder more often than not, and it comes from others: a ``copy.py`` in it must
neither run nor get in the way.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from .heap import OBJECTS, ROUNDS

_ROOT = Path(__file__).resolve().parents[2]

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Linear algebra has one thread, as in :mod:`mineralize.study.crew`; here none that waits either."""
_BOUND = """\
import ctypes, os
for name in {libraries!r}:
    os.environ[name] = "1"
try:
    ctypes.CDLL(None).prctl(1, 9)  # PR_SET_PDEATHSIG, SIGKILL: prctl(2)
except (OSError, AttributeError, TypeError):
    pass  # not on this system; the end of standard input tells, a moment later
if os.name == "posix" and os.getppid() != {parent}:
    os._exit(1)
import gc
gc.set_threshold({objects}, {rounds}, {rounds})
"""
"""What a child does first: bind its life to that of the thread that started it, which waits for it anyway. It may take
seconds until its own modules are loaded and can listen. Loading them is quicker by :mod:`.heap` too."""


def isolated_python(module: str) -> list[str]:
    """The command that runs ``main()`` of one of our modules: standard library first, then this very package.

    What this process finds its libraries by stands behind it, without the current folder.
    """
    try:
        here = os.path.realpath(os.getcwd())
    except OSError:  # the folder is gone
        here = ""
    paths = [str(_ROOT), *(path for path in sys.path if path and os.path.realpath(path) != here)]
    first = _BOUND.format(parent=os.getpid(), objects=OBJECTS, rounds=ROUNDS, libraries=ONE_THREAD)
    code = f"{first}import sys; sys.path += {paths!r}; from {module} import main; main()"
    return [sys.executable, "-I", "-S", "-c", code]

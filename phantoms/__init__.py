"""Scripted histories of serial limb CT with known truth: an outside judge of measurements.

    from phantoms import load_history, names
    history = load_history("maturing-shell", seed=0)
    scan = history.render(0)              # .hu, .spacing, .origin, .directions, .to_body, .truth, ...
    history.truth(0)["mineral_mass"]      # without rendering
    history.alignment(0, 4)               # LPS of scan 0 to LPS of scan 4

    random_history(17)                    # drawn from a declared distribution (`drawn.DISTRIBUTION`)

To add a history, write ``phantoms/NAME.toml``; nothing else is needed. ``base = "other"`` starts from another one and
changes what is given (scans one by one, in order). Tables and their keys are the fields of `limb.Limb`, `bones.Bone`
(``[bone]`` and ``[[other_bones]]``, with a ``motion`` of their own) and `lesion.Lesion`; ``[lesion.course]`` holds
curves over days for any of the lesion's numbers, ``[lesion] place`` sets it at a gap from the bone. ``[scan]`` holds
settings of every scan and ``[[scans]]`` those of one (`history.SCAN_DEFAULTS`); ``[jitter]`` what the seed may vary
(`history.JITTER_DEFAULTS`). ``[case]``, ``[[events]]`` and ``[[biopsies]]`` go into ``case.toml``.

Nothing here is shared with the program it judges.
"""

from .described import HistoryError
from .drawn import random_history
from .history import History, RenderedScan, load_history, names

__all__ = ["History", "HistoryError", "RenderedScan", "load_history", "names", "random_history"]

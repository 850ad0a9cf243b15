"""Scripted histories of serial limb CT with known truth: an outside judge of measurements.

    from phantoms import load_history, names
    history = load_history("maturing-shell", seed=0)
    scan = history.render(0)              # .hu, .spacing, .origin, .directions, .to_body, .truth, ...
    history.truth(0)["mineral_mass"]      # without rendering
    history.alignment(0, 4)               # LPS of scan 0 to LPS of scan 4

Nothing here is shared with the program it judges.
"""

from .history import History, HistoryError, RenderedScan, load_history, names

__all__ = ["History", "HistoryError", "RenderedScan", "load_history", "names"]

"""Folder to checked CT series: files, headers, rules, pixels, series choice."""

from .reading import CtReading, read_ct

__all__ = ["CtReading", "read_ct"]

"""Curves of one quantity over many lesions."""

from __future__ import annotations

from .points import read_curves, table

__all__ = ["read_curves", "table"]

"""One quantity over the days in many lesions: their points, a curve with its bands, one case among them, a plan.

In: paths of tables of measurements. Out: points (:func:`read_curves`, :func:`table`) with nothing but the standard
library; with the extra ``[cohort]`` a :class:`Cohort` (:func:`read_cohort`), its fit (:func:`fit_cohort`), the record
of a whole request (:func:`curve_record`) and its folder of results (:func:`write_curve`). ``InputError`` in one
sentence where tables cannot be used, a fit does not converge, or the data do not pin a parameter; ``UsageError``
without the extra or for a plan that cannot be. Modules name the sources of their methods.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from ..base import UsageError
from . import words
from .gather import read_cohort
from .points import read_curves, table
from .visits import Cohort, Lesion, Visit

if TYPE_CHECKING:
    from .arrays import Scales
    from .band import curve_band
    from .fit import CohortFit, fit_cohort
    from .plan import Plan, parse_plan, plan_text
    from .record import schema
    from .sample import Effort
    from .whole import CurveRequest, curve_record, summary
    from .write import write_curve

_ENGINE = {
    "CohortFit": "fit",
    "CurveRequest": "whole",
    "Effort": "sample",
    "Plan": "plan",
    "Scales": "arrays",
    "curve_band": "band",
    "curve_record": "whole",
    "fit_cohort": "fit",
    "parse_plan": "plan",
    "plan_text": "plan",
    "schema": "record",
    "summary": "whole",
    "write_curve": "write",
}
"""Names that need the fitting engine, and the module of each: loaded when first asked for."""

__all__ = [
    "Cohort",
    "CohortFit",
    "CurveRequest",
    "Effort",
    "Lesion",
    "Plan",
    "Scales",
    "Visit",
    "curve_band",
    "curve_record",
    "fit_cohort",
    "parse_plan",
    "plan_text",
    "read_cohort",
    "read_curves",
    "schema",
    "summary",
    "table",
    "write_curve",
]


def __getattr__(name: str) -> Any:
    if name not in _ENGINE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    try:
        return getattr(import_module(f".{_ENGINE[name]}", __name__), name)
    except ModuleNotFoundError as error:
        raise UsageError(words.NO_ENGINE) from error

"""Sentences of the cohort curve: what was left out, why a fit is refused, what its figures mean."""

from __future__ import annotations

from typing import Final

NOTHING: Final = "no table holds a value of {quantity}; known there: {known}"
NO_TABLE: Final = "a folder holds no measurements.csv or measurements.parquet; name a table, or a folder with one"
UNREADABLE: Final = "table {number} cannot be read, or is cut; give a whole measurements.csv or measurements.parquet"
BESIDE: Final = "the history.json or dictionary.json beside a table is damaged; take it away or write the results anew"
COLUMNS: Final = "table {number} lacks the columns {missing}; see the guide of the cohort curve for all of them"
NO_PARQUET: Final = "a Parquet table needs pyarrow; install mineralize[cohort], or give measurements.csv"
NO_NUMBER: Final = "the column {column} of a table holds a cell that is no number; mend it or leave it empty"
ABOUT_UNREADABLE: Final = "the table given by --about cannot be read; give a CSV with a column case"
ABOUT_COLUMNS: Final = "the table given by --about needs a column case and at least one of {columns}"
ABOUT_STRANGERS: Final = "the table given by --about names none of the cases in the tables; its column case must match"
UNITS: Final = "{quantity} is given in several units ({units}); bring the tables to one unit"
NO_RISE: Final = (
    "{quantity} is no size or mass ({units}), so no rise to a plateau is fitted to it; --points prints its values"
)
NO_ENGINE: Final = "fitting a cohort needs NumPyro; pip install 'mineralize[cohort]'; --points works without it"

WITHHELD: Final = "{n} withheld or empty values left out"
NO_ONSET: Final = "{n} lesions left out: their days count from the first scan, not from an onset"
NO_VALUE: Final = "{n} lesions left out: none of their values can be used"
AFTER_EXCISION: Final = "{n} values left out: the scan came after the excision"
LEFT_OUT: Final = (WITHHELD, NO_ONSET, NO_VALUE, AFTER_EXCISION)

TOO_FEW: Final = (
    "{lesions} lesions, {repeated} of them with two scans or more: a curve over a cohort needs at least {least} "
    "lesions, {least_repeated} of them with two scans; --points prints the values"
)
NOT_CONVERGED: Final = (
    "the fit did not converge (R-hat {r_hat:.3f}, {effective:.0f} effective draws, {divergent} of {draws} divergent), "
    "so nothing is printed of it; more visits around the rise, or fewer odd lesions, would help"
)
NOT_PINNED: Final = "the data do not pin the {what}: {why}; --points prints the values"
PINNED_BY: Final = {
    "half-rise day": "scans before and after the half rise are needed",
    "rate": "scans during the rise are needed",
    "plateau": "late scans, at which lesions no longer rise, are needed",
}
LAY_ALONE: Final = "--lay {case}: the tables hold no such case; name a case of theirs, or another table with one case"
LAY_EMPTY: Final = "--lay: the case has no value of {quantity} with a day from the onset"
LEFT_FOR_LAYING: Final = "{case} is left out of the fit, so that it is held against others only"
PLAN_FORM: Final = '--plan takes text such as "n=20,40,80 days=21,42,90,180": numbers of lesions and days of scans'
PLAN_LIMITS: Final = "--plan takes between {least} and {most} lesions, scanned on at least two days"

EXCISION: Final = (
    "{n} lesions were excised; whether a lesion was is modelled together with its course. Without that term: half-rise "
    "day {half:.0f} instead of {half_with:.0f}, plateau {plateau:.4g} instead of {plateau_with:.4g} {unit}"
)
EXCISED_ALL: Final = "all lesions were excised: nothing can be learned of those that were not"
NO_CORRELATION: Final = "Day shift and plateau of a lesion are taken as independent; here they correlate by {value:.2f}"
DISCLAIMER: Final = "Not a medical device. A curve of lesions in a study; it says nothing about what a lesion is."

"""When a plane was acquired (PS3.3 C.7.6.1, C.12.1).

Acquisition stands before Series, Series before Study; Content Date says when pixels were *made* and is never used.
Timezone Offset From UTC (0008,0201) applies to every date and time of the file; a date-time value may carry its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, timedelta

from .image import When
from .values import Values, text

YEARS = (1800, 2999)
"""Years that a date can have, shifted ones of de-identified exports included; 0001 and 9999 are stop-gaps for none."""
LAST_SECOND = 86_399.999999
"""A leap second (23:59:60) still belongs to its day."""
_OFFSET = re.compile(r"([+-])(\d{2})(\d{2})$")


def day_of(value: str) -> date | None:
    """The calendar day of a DA value (``YYYYMMDD``, or the retired ``YYYY.MM.DD``); ``None`` if it is none."""
    digits = value.replace(".", "") if re.fullmatch(r"\d{4}\.\d{2}\.\d{2}", value) else value
    if not re.fullmatch(r"\d{8}", digits):
        return None
    try:
        day = date(int(digits[:4]), int(digits[4:6]), int(digits[6:]))
    except ValueError:
        return None
    return day if YEARS[0] <= day.year <= YEARS[1] else None


def seconds_of(value: str) -> float | None:
    """Seconds since midnight of a TM value; parts left out count as zero."""
    match = re.fullmatch(r"(\d{2}):?(\d{2})?:?(\d{2})?(\.\d{1,6})?", value.strip())
    if not match:
        return None
    hour, minute, second = int(match.group(1)), int(match.group(2) or 0), int(match.group(3) or 0)
    if hour > 23 or minute > 59 or second > 60:
        return None
    return hour * 3600 + minute * 60 + second + float(match.group(4) or 0)


def offset_of(value: str) -> int | None:
    """Minutes from UTC of ``+HHMM``; ``None`` when not given in that form."""
    match = _OFFSET.search(value.strip())
    if not match or int(match.group(2)) > 14 or int(match.group(3)) > 59:
        return None
    minutes = int(match.group(2)) * 60 + int(match.group(3))
    return -minutes if match.group(1) == "-" else minutes


def when_of(ds: Values, acquisition_datetime: Iterable[str] = ()) -> When:
    """The moment of acquisition.

    Parameters
    ----------
    acquisition_datetime : further date-time values that stand first (a frame's own, in a multi-frame file).
    """
    offset = offset_of(text(ds, "TimezoneOffsetFromUTC"))
    study = day_of(text(ds, "StudyDate"))
    study_date = study.strftime("%Y%m%d") if study else ""
    for value in (*acquisition_datetime, text(ds, "AcquisitionDateTime")):
        day = day_of(value[:8])
        if day is not None:
            body = _OFFSET.sub("", value)
            own = offset_of(value) if len(value) > 13 else None
            return When(
                day.strftime("%Y%m%d"),
                seconds_of(body[8:]) if len(body) > 8 else None,
                own if own is not None else offset,
                "AcquisitionDateTime",
                study_date,
            )
    for part in ("Acquisition", "Series", "Study"):
        day = day_of(text(ds, f"{part}Date"))
        if day is not None:
            return When(day.strftime("%Y%m%d"), seconds_of(text(ds, f"{part}Time")), offset, f"{part}Date", study_date)
    return When(utc_offset_min=offset, study_date=study_date)


def moment(when: When, offset_min: int | None = None) -> datetime | None:
    """Date and time as one value, moved to the time zone ``offset_min`` when both zones are known."""
    day = day_of(when.date)
    if day is None:
        return None
    value = datetime(day.year, day.month, day.day) + timedelta(seconds=min(when.seconds or 0.0, LAST_SECOND))
    if offset_min is not None and when.utc_offset_min is not None and when.seconds is not None:
        try:
            value += timedelta(minutes=offset_min - when.utc_offset_min)
        except OverflowError:
            return None
    return value

"""Which histories are run."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from phantoms import History, load_history, names, random_history

from .cases import outline_case, outline_variants, sweep_case, sweep_variants

SETS = ("ordinary", "broken", "random", "scanners", "outlines", "sweep")
SINGLE = ("outlines", "sweep")
"""Sets of single scans, each of one lesion with its seed."""


@dataclass(frozen=True)
class Job:
    """One history to run. ``kind`` is its set; ``variant`` what was done to it (see `history_of`)."""

    kind: str
    name: str
    seed: int
    variant: str = ""

    @property
    def label(self) -> str:
        return f"{self.name}{'-' + self.variant if self.variant else ''}"


def seeds_of(text: str, count: int = 0) -> list[int]:
    """Seeds from ``"0"``, ``"3-5"``, ``"1,4,7-9"`` or, with a count, from ``"100.."``.

    Raises
    ------
    ValueError
        with one sentence for the user.
    """
    found: list[int] = []
    for part in text.split(","):
        first, dots, _ = part.partition("..")
        low, dash, high = part.partition("-")
        try:
            if dots:
                if count <= 0:
                    raise ValueError
                found += range(int(first), int(first) + count)
            elif dash:
                found += range(int(low), int(high) + 1)
            else:
                found.append(int(part))
        except ValueError:
            raise ValueError(
                f"seeds are numbers and ranges such as 0, 3-5 or 1,4,7-9, or 100.. together with --count; not {text!r}"
            ) from None
    return found[:count] if count > 0 and len(found) >= count else found


SPOILED = ("two-bones", "cylinder", "cut-by-field")
"""Scripted histories that are ordinary to read and belong among the broken ones all the same."""


def is_broken(name: str) -> bool:
    return bool(load_history(name).table.get("broken", False))


def jobs_of(kind: str, seeds: Iterable[int], only: Iterable[str] = ()) -> list[Job]:
    """The runs of a set, in the order they are printed."""
    seeds, only = list(seeds), set(only)
    if kind == "random":
        found = [Job(kind, "random", seed) for seed in seeds]
    elif kind == "scanners":
        found = [Job(kind, "four-scanners", seed) for seed in seeds]
        found += [Job(kind, "random", seed, variant) for seed in seeds for variant in ("unchanged", "denser")]
    elif kind == "outlines":
        found = [Job(kind, "outline", seed, variant) for seed in seeds for variant in outline_variants()]
    elif kind == "sweep":
        found = [Job(kind, "sweep", seed, variant) for seed in seeds for variant in sweep_variants()]
    else:
        wanted = [n for n in names() if is_broken(n) == (kind == "broken") or (kind == "broken" and n in SPOILED)]
        found = [Job(kind, name, seed) for seed in seeds for name in wanted]
    return [job for job in found if not only or job.label in only or job.name in only]


def history_of(job: Job) -> History:
    """The history of a job, made anew.

    ``unchanged`` is a random lesion that stays exactly as it is while the scanner changes. ``denser`` is one whose
    shell gains a quarter of its mineral between two scans alike but for noise and pose, at 1.5 mm slices.
    """
    if job.kind == "outlines":
        return outline_case(job.variant, job.seed)
    if job.kind == "sweep":
        return sweep_case(job.variant, job.seed)
    if job.name != "random":
        return load_history(job.name, seed=job.seed)
    history = random_history(job.seed)
    if not job.variant:
        return history
    table: dict[str, Any] = {**history.table, "lesion": dict(history.table["lesion"])}
    course = {k: [v[0]] * len(v) for k, v in table["lesion"]["course"].items() if k != "day"}
    course["day"] = list(table["lesion"]["course"]["day"])
    if job.variant == "denser":
        course["mineral_mg"] = [course["mineral_mg"][0], 1.25 * course["mineral_mg"][0]]
        table["lesion"].update(haze_mg=0.0)
        if table["lesion"].get("centre_mg"):
            course["centre_mg"] = [table["lesion"]["centre_mg"], 1.25 * table["lesion"]["centre_mg"]]
        rows = []
        for own in table["scans"]:
            first = table["scans"][0]
            extent = first["slices"] * first["slice_mm"]
            rows.append(
                {**first, "day": own["day"], "prone": own["prone"], "slice_mm": 1.5, "slices": round(extent / 1.5)}
            )
        table["scans"] = rows
    table["lesion"]["course"] = course
    return History(f"random-{job.variant}", job.seed, table)

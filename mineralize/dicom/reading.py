"""A case on disk to studies with a chosen series each: the steps of this package in order."""

from __future__ import annotations

import hashlib
import os
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from ..base import InputError, Note, cores
from .files import Gathered
from .grouping import StudyGroup, group
from .headers import HeaderReader, Other, Unreadable
from .image import Image
from .people import one_patient

OnStep = Callable[[str, int, int], None]


@dataclass(frozen=True, eq=False)
class CtReading:
    """Everything the headers say, before a series is chosen."""

    studies: tuple[StudyGroup, ...]
    others: tuple[Other, ...]
    notes: tuple[Note, ...]


def read_ct(gathered: Gathered, *, one_person: bool = False, on_step: OnStep | None = None) -> CtReading:
    """Parse every header once and sort the images into studies and series.

    Raises
    ------
    InputError, PatientsMixedError
        when there is no image at all, or images of two patients.
    """
    images: list[Image] = []
    others: list[Other] = []
    unreadable: list[Unreadable] = []
    total = len(gathered.files)
    reader = HeaderReader()
    for number, path in enumerate(gathered.files, 1):
        found = reader.read(path, number)
        if isinstance(found, Unreadable):
            unreadable.append(found)
        elif isinstance(found, Other):
            others.append(found)
        else:
            images += found
        if on_step is not None:
            on_step("reading headers", number, total)
    notes = _unreadable_notes(unreadable)
    if not images:
        raise InputError(_nothing(total, unreadable, others, gathered))
    kept, copies = without_copies(images)
    if copies:
        notes.append(Note("copies", f"{copies} image(s) are there twice; one copy of each is used.", "info"))
    if gathered.passed_over:
        notes.append(
            Note("passed-over", f"{gathered.passed_over} link(s) or special file(s) were passed over.", "info")
        )
    if gathered.unread:
        text = (
            f"{gathered.unread} folder(s) or file(s) could not be opened (no permission, or a path that is too long); "
            "what they hold is missing."
        )
        notes.append(Note("not-opened", text, "caution"))
    for reason, count in sorted(Counter(gathered.refused).items()):
        notes.append(Note("archive-refused", f"{count} archive(s) not used: {reason}.", "caution"))
    if gathered.archives:
        notes.append(Note("archives", f"{gathered.archives} archive(s) were unpacked.", "info"))
    notes += one_patient((image.ids.patient for image in kept), asserted=one_person)
    return CtReading(group(kept), tuple(others), tuple(notes))


def without_copies(images: Iterable[Image]) -> tuple[list[Image], int]:
    """One image per SOP instance and frame. Two files of one instance that differ are both kept: a rule will refuse."""
    seen: dict[tuple[str, int], list[Image]] = defaultdict(list)
    kept: list[Image] = []
    copies = 0
    for image in images:
        key = (image.ids.instance, image.where.frame)
        if image.ids.instance and any(_same_image(image, other) for other in seen[key]):
            copies += 1
            continue
        seen[key].append(image)
        kept.append(image)
    return kept, copies


def _same_image(a: Image, b: Image) -> bool:
    if (a.position, a.orientation, a.spacing, a.slope, a.intercept) != (
        b.position, b.orientation, b.spacing, b.slope, b.intercept,
    ):  # fmt: skip
        return False
    if a.coding.transfer_syntax != b.coding.transfer_syntax or a.where.frame:
        return True  # another encoding of the same instance; later frames follow the first
    try:
        return pixel_digest(a) == pixel_digest(b)
    except OSError:
        return False


def pixel_digest(image: Image) -> bytes:
    """SHA-256 of the stored bytes of the pixels (of the whole file where it is deflated)."""
    digest = hashlib.sha256()
    with open(image.where.path, "rb", buffering=0) as stream:
        if image.where.offset is not None:
            stream.seek(image.where.offset)
        left = image.where.length if image.where.offset is not None else os.fstat(stream.fileno()).st_size
        while left > 0 and (chunk := stream.read(min(left, 2**20))):
            digest.update(chunk)
            left -= len(chunk)
    return digest.digest()


def input_hash(images: Iterable[Image]) -> str:
    """One hash over instances and their pixels, in an order that file names do not change.

    No identifier can be got back: UIDs enter only together with the pixels, through SHA-256.

    Raises
    ------
    InputError
        where a file can no longer be read.
    """
    files = {(image.where.path): image for image in images}

    def one(image: Image) -> bytes:
        return hashlib.sha256(image.ids.instance.encode() + b"\0" + pixel_digest(image)).digest()

    try:
        with ThreadPoolExecutor(min(cores(), 4)) as pool:
            return hashlib.sha256(b"".join(sorted(pool.map(one, files.values())))).hexdigest()
    except OSError:
        raise InputError("a file of the case vanished or could not be read; check the disk and try again") from None


def _unreadable_notes(unreadable: list[Unreadable]) -> list[Note]:
    notes = []
    for reason, count in sorted(Counter(u.reason for u in unreadable).items()):
        files = [u.file for u in unreadable if u.reason == reason]
        where = f"file {files[0]}" if count == 1 else f"{count} files, the first is file {files[0]}"
        harmless = reason in ("not a DICOM file", "a DICOM file without an image")
        notes.append(
            Note("file-set-aside", f"Not used: {reason} ({where} in sorted order).", "info" if harmless else "caution")
        )
    return notes


def _nothing(total: int, unreadable: list[Unreadable], others: list[Other], gathered: Gathered) -> str:
    if gathered.refused:
        return f"no CT image in the case could be reached; {gathered.refused[0]}"
    if gathered.unread and total == len(unreadable):
        return "no CT image in the case could be opened; ask for read access, or shorten its paths"
    if total == 0:
        return "the case folder is empty; give a folder with CT images in DICOM format"
    reasons = Counter(u.reason for u in unreadable)
    if others:
        reasons["not an image"] += len(others)
    listed = ", ".join(f"{count} x {reason}" for reason, count in reasons.most_common(4))
    return f"no CT image among the {total} file(s) of the case ({listed}); give a folder with CT images in DICOM format"

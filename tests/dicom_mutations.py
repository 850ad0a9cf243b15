"""Damage done to valid DICOM files on purpose: seeded, and aware of their structure."""

from __future__ import annotations

import struct
from collections.abc import Callable
from random import Random

Mutation = Callable[[bytes, Random], bytes]

NUMBER_TAGS = {
    "ImagePositionPatient": b"\x20\x00\x32\x00",
    "ImageOrientationPatient": b"\x20\x00\x37\x00",
    "PixelSpacing": b"\x28\x00\x30\x00",
    "RescaleSlope": b"\x28\x00\x53\x10",
    "RescaleIntercept": b"\x28\x00\x52\x10",
    "SliceThickness": b"\x18\x00\x50\x00",
    "KVP": b"\x18\x00\x60\x00",
    "NumberOfFrames": b"\x28\x00\x08\x00",
    "SeriesNumber": b"\x20\x00\x11\x00",
}
BINARY_TAGS = {
    "Rows": b"\x28\x00\x10\x00",
    "Columns": b"\x28\x00\x11\x00",
    "BitsAllocated": b"\x28\x00\x00\x01",
    "BitsStored": b"\x28\x00\x01\x01",
    "HighBit": b"\x28\x00\x02\x01",
    "PixelRepresentation": b"\x28\x00\x03\x01",
    "SamplesPerPixel": b"\x28\x00\x02\x00",
}
NASTY = [
    b"nan", b"-nan", b"inf", b"-1", b"0", b"-0.7\\0.6", b"1e308", b"-1e308", b"1e-300", b"", b"abc", b"1,5", b"0x10",
    b"1\\2\\3\\4", b"\\\\\\", b"9" * 60,
    b"\xff\xfe", b"1\\nan\\3", b"\0\0\0", b"1e9999", b"--3", b"3 4", b"1\\0\\0\\0\\0\\0",
]  # fmt: skip
VRS = [b"DS", b"IS", b"UN", b"OB", b"OW", b"SQ", b"US", b"SS", b"FL", b"FD", b"UT", b"PN", b"ZZ", b"\0\0", b"AT", b"OV"]


def truncate(data: bytes, rng: Random) -> bytes:
    return data[: rng.randrange(len(data))]


def flip_bits(data: bytes, rng: Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice([1, 3, 20, 200])):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def flip_header_bits(data: bytes, rng: Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice([1, 2, 8])):
        out[rng.randrange(128, min(len(out), 1400))] ^= 1 << rng.randrange(8)
    return bytes(out)


def overwrite(data: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(data))
    some = rng.randbytes(rng.choice([1, 2, 4, 16, 64]))
    return data[:at] + some + data[at + len(some) :]


def cut_out(data: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + data[at + rng.choice([1, 2, 7, 40]) :]


def repeat(data: bytes, rng: Random) -> bytes:
    at, size = rng.randrange(len(data)), rng.choice([8, 20, 200])
    return data[: at + size] + data[at : at + size] + data[at + size :]


def _element(data: bytes, tag: bytes) -> int:
    return data.find(tag, 132)


def nasty_number(data: bytes, rng: Random) -> bytes:
    """A text number becomes nonsense of the right or the wrong length."""
    at = _element(data, NUMBER_TAGS[rng.choice(list(NUMBER_TAGS))])
    if at < 0 or data[at + 4 : at + 6] not in (b"DS", b"IS"):
        return flip_header_bits(data, rng)
    (length,) = struct.unpack("<H", data[at + 6 : at + 8])
    value = rng.choice(NASTY)
    if rng.random() < 0.8:
        value += b" " * (len(value) % 2)
        return data[: at + 6] + struct.pack("<H", len(value)) + value + data[at + 8 + length :]
    return data[: at + 8] + value + data[at + 8 + len(value) :]


def nasty_integer(data: bytes, rng: Random) -> bytes:
    at = _element(data, BINARY_TAGS[rng.choice(list(BINARY_TAGS))])
    if at < 0:
        return flip_header_bits(data, rng)
    value = rng.choice([0, 1, 2, 3, 7, 8, 12, 15, 16, 17, 32, 64, 255, 512, 8192, 32767, 65535])
    return data[: at + 8] + struct.pack("<H", value) + data[at + 10 :]


def wrong_vr(data: bytes, rng: Random) -> bytes:
    tags = list({**NUMBER_TAGS, **BINARY_TAGS}.values())
    at = _element(data, rng.choice(tags))
    return data[: at + 4] + rng.choice(VRS) + data[at + 6 :] if at > 0 else overwrite(data, rng)


def huge_length(data: bytes, rng: Random) -> bytes:
    tags = [*NUMBER_TAGS.values(), *BINARY_TAGS.values(), b"\xe0\x7f\x10\x00", b"\x08\x00\x18\x00", b"\x02\x00\x00\x00"]
    at = _element(data, rng.choice(tags))
    if at < 0:
        return overwrite(data, rng)
    lengths = [0xFFFFFFFF, 0xFFFFFFFE, 0x7FFFFFFF, 0x80000000, 0xFFFF, 0xFFFE, 2**20, 3]
    where = at + rng.choice([4, 6, 8])
    return data[:where] + struct.pack("<L", rng.choice(lengths)) + data[where + 4 :]


def deep_sequences(data: bytes, rng: Random) -> bytes:
    """Sequences within sequences, with and without ends."""
    at = _element(data, b"\x08\x00\x18\x00")
    if at < 0:
        return repeat(data, rng)
    depth = rng.choice([3, 40, 400, 3000])
    tag = rng.choice([b"\x08\x00\x15\x11", b"\x40\x00\x75\x02", b"\x40\x00\x30\xa7"])
    opened = (tag + b"SQ\0\0\xff\xff\xff\xff" + b"\xfe\xff\x00\xe0\xff\xff\xff\xff") * depth
    closed = (b"\xfe\xff\x0d\xe0\0\0\0\0" + b"\xfe\xff\xdd\xe0\0\0\0\0") * rng.choice([depth, depth, depth - 1, 0])
    end = rng.choice([at, len(data) - 1])
    return data[:end] + opened + closed + data[end:]


def swap_halves(data: bytes, rng: Random) -> bytes:
    at = rng.randrange(132, len(data)) if len(data) > 133 else 1
    return data[:132] + data[at:] + data[132:at]


def other_syntax(data: bytes, rng: Random) -> bytes:
    """The meta header names another encoding than the data has."""
    known = [b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2\0\0\0", b"1.2.840.10008.1.2.2\0", b"1.2.840.10008.1.2.5\0",
             b"1.2.840.10008.1.2.9\0"]  # fmt: skip
    for name in known:
        if name in data[:600]:
            return data.replace(name, rng.choice(known), 1)
    return flip_header_bits(data, rng)


def rubbish(data: bytes, rng: Random) -> bytes:
    start = rng.choice(
        [b"", data[:132], data[:400], b"PK\x03\x04", b"\x1f\x8b\x08", b"II*\0", b"%PDF-1.4", b"\x02\0\0\0"]
    )
    return start + rng.randbytes(rng.choice([0, 1, 50, 3000]))


MUTATIONS: list[Mutation] = [
    truncate, flip_bits, flip_header_bits, flip_header_bits, overwrite, cut_out, repeat, nasty_number, nasty_number,
    nasty_number, nasty_integer, nasty_integer, wrong_vr, huge_length, huge_length, deep_sequences, swap_halves,
    other_syntax, rubbish,
]  # fmt: skip


def mutate(data: bytes, rng: Random) -> bytes:
    """One to three mutations in a row."""
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        data = rng.choice(MUTATIONS)(data, rng) if len(data) > 200 else rubbish(data, rng)
    return data

"""Samples of a signal packed into bytes and back, to the last bit, with damage found.

Here: the form in which a stretch of samples is stored. Not here: what it means (``signals``).

A chunk is a header, the packed samples, and a CRC-32 over both. The samples are two rows: times as second differences,
and values as first differences of whole numbers where all of them have at most six decimals, else as they are; each row
in the narrowest integers that hold it, both together through zlib. The header also holds the SHA-256 over the
*content*, which a journal can keep: it depends on times and values alone and on nothing of how they were packed, so it
outlives this form.

The form is fixed by its version byte; a later one gets a new number, and this one is read for ever.

Source : RFC 1950 (zlib), FIPS 180-4 (SHA-256); CRC-32 as in zlib.
"""

import struct
import zlib
from hashlib import sha256

import numpy as np
from numpy.typing import NDArray

from service.core.signals import SignalSeries

__all__ = ["MOST_SAMPLES", "ChunkDamaged", "ChunkTooLarge", "UnknownChunk", "decode", "digest_of", "encode"]

VERSION = 1
MOST_SAMPLES = 10_000_000

_MAGIC = b"\x89SIG"  # no text begins with this byte
_HEADER = struct.Struct("<4sBBBBIIqqq32s")  # see `encode`
_CHECK = struct.Struct("<I")
_AS_THEY_ARE = 255
_MOST_DECIMALS = 6
# Whole numbers up to here are floats without loss, and dividing them by a power of ten gives the float of the decimal.
_EXACT = 2**53


class ChunkDamaged(ValueError):
    """The bytes are not what was written."""


class UnknownChunk(ValueError):
    """No chunk at all, or of a version this code does not read."""


class ChunkTooLarge(ValueError):
    """More samples than one chunk may hold."""


def encode(series: SignalSeries) -> bytes:
    """Pack samples, in their order and with every bit of their values.

    Raises
    ------
    ChunkTooLarge
        Above ten million samples.

    Examples
    --------
    >>> day = SignalSeries.of(range(0, 86_400_000, 60_000), [205.0 + minute % 7 / 10 for minute in range(1440)])
    >>> len(encode(day)) < 400, bool((decode(encode(day)).values == day.values).all())
    (True, True)
    """
    count = len(series)
    if count > MOST_SAMPLES:
        raise ChunkTooLarge(f"{count:,} samples: cut the series into chunks of at most {MOST_SAMPLES:,}")
    times = series.times_ms
    first_time = int(times[0]) if count else 0
    first_step = int(times[1] - times[0]) if count > 1 else 0
    time_row = _narrow(np.diff(times, n=2))
    decimals, whole = _scaled(series.values)
    first_value = 0
    if whole is None:
        value_row = np.ascontiguousarray(series.values, dtype="<f8").view("<i8")
    else:
        first_value = int(whole[0]) if count else 0
        value_row = _narrow(np.diff(whole))
    packed = zlib.compress(_planes(time_row) + _planes(value_row), 6)
    header = _HEADER.pack(
        _MAGIC,
        VERSION,
        decimals,
        time_row.itemsize,
        value_row.itemsize,
        count,
        len(packed),
        first_time,
        first_step,
        first_value,
        digest_of(series),
    )
    body = header + packed
    return body + _CHECK.pack(zlib.crc32(body))


def decode(chunk: bytes) -> SignalSeries:
    """The samples of a chunk, bit for bit as they were packed.

    Raises
    ------
    UnknownChunk
        If the bytes are no chunk, or of a later version.
    ChunkDamaged
        If a byte was changed, lost or added.
    """
    if chunk[:4] != _MAGIC:
        raise UnknownChunk(f"{len(chunk)} bytes that begin with {chunk[:4]!r} are no chunk of samples")
    if len(chunk) > 4 and chunk[4] != VERSION:
        raise UnknownChunk(f"a chunk of version {chunk[4]} (or damaged): this code reads version {VERSION}")
    if len(chunk) < _HEADER.size + _CHECK.size:
        raise ChunkDamaged(f"{len(chunk)} bytes are too few for a chunk: restore it from a copy")
    body, check = chunk[: -_CHECK.size], chunk[-_CHECK.size :]
    if _CHECK.pack(zlib.crc32(body)) != check:
        raise ChunkDamaged("the checksum of the bytes differs from the one written: restore the chunk from a copy")
    _, _, decimals, time_width, value_width, count, length, *firsts, digest = _HEADER.unpack_from(body)
    series = _unpacked(body[_HEADER.size :], decimals, (time_width, value_width), count, length, firsts)
    found = digest_of(series)
    if found != digest:
        raise ChunkDamaged(f"the samples hash to {found.hex()}, recorded is {digest.hex()}: restore them from a copy")
    return series


def digest_of(series: SignalSeries) -> bytes:
    """SHA-256 over times and values: a line with the number of samples, then each row in 8 bytes, least first."""
    content = sha256(b"samples %d\n" % len(series))
    content.update(np.ascontiguousarray(series.times_ms, dtype="<i8").data)
    content.update(np.ascontiguousarray(series.values, dtype="<f8").data)
    return content.digest()


def _scaled(values: NDArray[np.float64]) -> tuple[int, NDArray[np.int64] | None]:
    """Fewest decimals with which all values are whole, and those whole numbers; none if there is no such number."""
    bits = values.view(np.int64)
    for decimals in range(_MOST_DECIMALS + 1):
        scale = 10.0**decimals
        with np.errstate(over="ignore", invalid="ignore"):
            nearest = np.rint(values * scale)
            if not np.all(np.abs(nearest) < _EXACT):
                # Too large, infinite, or no number: more decimals make it no better.
                break
        whole = nearest.astype(np.int64)
        # Compared by bits, and as it will come back: -0.0 is no 0.0.
        if np.array_equal((whole / scale).view(np.int64), bits):
            return decimals, whole
    return _AS_THEY_ARE, None


def _narrow(row: NDArray[np.int64]) -> NDArray[np.signedinteger]:
    least, most = (int(row.min()), int(row.max())) if len(row) else (0, 0)
    for width in (1, 2, 4):
        if -(1 << 8 * width - 1) <= least and most < 1 << 8 * width - 1:
            return row.astype(f"<i{width}")
    return row.astype("<i8")


def _planes(row: NDArray[np.signedinteger]) -> bytes:
    """The first bytes of all numbers, then the second and so on: equal bytes lie together and pack better."""
    return np.ascontiguousarray(row.view(np.uint8).reshape(len(row), row.itemsize).T).tobytes()


def _row(planes: bytes, width: int) -> NDArray[np.int64]:
    bytes_of = np.frombuffer(planes, np.uint8).reshape(width, -1).T
    return np.ascontiguousarray(bytes_of).view(f"<i{width}").ravel().astype(np.int64)


def _unpacked(
    packed: bytes, decimals: int, widths: tuple[int, int], count: int, length: int, firsts: list[int]
) -> SignalSeries:
    times_count, values_count = max(count - 2, 0), count if decimals == _AS_THEY_ARE else max(count - 1, 0)
    is_sound = set(widths) <= {1, 2, 4, 8} and count <= MOST_SAMPLES and len(packed) == length
    if not is_sound or (decimals > _MOST_DECIMALS and decimals != _AS_THEY_ARE):
        raise ChunkDamaged("the header contradicts itself: restore the chunk from a copy")
    sizes = times_count * widths[0], values_count * widths[1]
    unzip = zlib.decompressobj()
    try:
        # Never more than the header states: a small chunk cannot fill the memory.
        planes = unzip.decompress(packed, sum(sizes) + 1)
    except zlib.error as error:
        raise ChunkDamaged(f"the samples cannot be unpacked ({error}): restore the chunk from a copy") from error
    if len(planes) != sum(sizes) or not unzip.eof or unzip.unused_data:
        raise ChunkDamaged(f"{sum(sizes)} bytes of samples were packed, others came out: restore the chunk from a copy")
    first_time, first_step, first_value = firsts
    steps = np.cumsum(np.concatenate(([first_step], _row(planes[: sizes[0]], widths[0]))))[: max(count - 1, 0)]
    times = np.cumsum(np.concatenate(([first_time], steps)))[:count]
    row = _row(planes[sizes[0] :], widths[1])
    if decimals == _AS_THEY_ARE:
        return SignalSeries(times, row.view(np.float64))
    whole = np.cumsum(np.concatenate(([first_value], row)))[:count]
    return SignalSeries(times, whole / 10.0**decimals)

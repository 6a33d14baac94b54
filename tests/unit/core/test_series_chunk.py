"""Goal: samples come back from a chunk to the last bit, and any damage to it is found.

Method: odd series (none, one, out of order, no numbers, both zeros, the ends of the range) and random ones, compared by
their bits; every bit of a small chunk flipped; a hash made without the code; chunks with a sound checksum whose parts
contradict each other.
"""

import hashlib
import math
import struct
import tracemalloc
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core import series_chunk
from service.core.series_chunk import ChunkDamaged, ChunkTooLarge, UnknownChunk, decode, digest_of, encode
from service.core.signals import SignalSeries

MINUTE = 60_000
LAST_MS = 253_402_300_799_999
FIRST_MS = -62_135_596_800_000
DIGITS = SignalSeries.of([7, 8, 9], [20.1, 20.3, 20.2])

ODD = [
    ([], []),
    ([5], [math.nan]),
    ([0, 0], [0.0, -0.0]),
    ([9, 3, 9, 1], [1.5, 1.5, 2.5, 1.0]),
    ([FIRST_MS, LAST_MS, FIRST_MS], [1e308, -1e308, 5e-324]),
    ([1, 2, 3], [math.inf, -math.inf, math.nan]),
    ([1, 2], [2.0**53, 2.0**53 - 1]),
    ([1, 2], [0.1 + 0.2, 0.3]),
    ([1, 2, 4], [-0.000001, 123456.654321, 1e9]),
]


def same_bits(one, other):
    return np.array_equal(one.times_ms, other.times_ms) and np.array_equal(
        one.values.view(np.int64), other.values.view(np.int64)
    )


@pytest.mark.parametrize(("times", "values"), ODD)
def test_odd_series_come_back(times, values):
    series = SignalSeries.of(times, values)
    assert same_bits(decode(encode(series)), series)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(FIRST_MS, LAST_MS) | st.integers(0, 10**6),
            st.floats(allow_nan=True, width=64) | st.integers(-(10**6), 10**6).map(lambda whole: whole / 1000),
        ),
        max_size=30,
    )
)
def test_any_series_comes_back(samples):
    series = SignalSeries.of([time for time, _ in samples], [value for _, value in samples])
    assert same_bits(decode(encode(series)), series)


def test_bits_of_a_payload_that_is_no_number_come_back():
    """A not-a-number has 2**52 faces, and a historian may tell its reasons by them."""
    values = np.array([0x7FF8000000000001, 0x7FF800000000BEEF], dtype=np.uint64).view(np.float64)
    series = SignalSeries(np.array([1, 2], np.int64), values)
    assert same_bits(decode(encode(series)), series)


def test_slices_and_reversed_views_come_back():
    series = SignalSeries(np.arange(20, dtype=np.int64)[::-2], np.linspace(0, 1, 30)[::3])
    assert same_bits(decode(encode(series)), series)


def test_a_limit_typed_in_decimals_equals_a_value_that_was_packed():
    """Packed as 2050 tenths and taken out by a multiplication, 205.3 would come back as 205.30000000000001."""
    typed = [whole / 10 for whole in range(2000, 2100)] + [205.3, 0.7, 1.1]
    series = SignalSeries.of(range(len(typed)), typed)
    assert decode(encode(series)).values.tolist() == typed


def test_the_digest_is_of_the_content_alone():
    expected = hashlib.sha256(b"samples 3\n" + struct.pack("<qqqddd", 7, 8, 9, 20.1, 20.3, 20.2)).digest()
    assert digest_of(DIGITS) == expected
    assert expected in encode(DIGITS)
    assert digest_of(SignalSeries.of([7, 8, 9], [20.1, 20.2, 20.3])) != expected


def test_every_flipped_bit_is_found():
    for series in (DIGITS, SignalSeries.of([1, 2], [math.pi, math.e])):
        chunk = encode(series)
        for bit in range(8 * len(chunk)):
            damaged = bytearray(chunk)
            damaged[bit // 8] ^= 1 << bit % 8
            with pytest.raises((ChunkDamaged, UnknownChunk)):
                decode(bytes(damaged))


def test_lost_and_added_bytes_are_found():
    chunk = encode(DIGITS)
    for damaged in (chunk[:-1], chunk[:60], chunk + b"\0", chunk[:80] + chunk[81:], b"", b"\x89SIG", chunk[:5]):
        with pytest.raises((ChunkDamaged, UnknownChunk)):
            decode(damaged)


def resealed(chunk, **changed):
    """The chunk with fields of its header changed and a checksum to match, as a program at fault would write it."""
    names = ["magic", "version", "decimals", "time_width", "value_width", "count", "length", "t0", "dt", "v0", "digest"]
    size = series_chunk._HEADER.size
    fields = dict(zip(names, series_chunk._HEADER.unpack_from(chunk), strict=True))
    packed = changed.pop("packed", chunk[size:-4])
    body = series_chunk._HEADER.pack(*(fields | {"length": len(packed)} | changed).values()) + packed
    return body + struct.pack("<I", zlib.crc32(body))


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"t0": 6}, "hash to"),
        ({"dt": 2}, "hash to"),
        ({"v0": 0}, "hash to"),
        ({"decimals": 2}, "hash to"),
        ({"digest": bytes(32)}, "hash to"),
        ({"decimals": 9}, "contradicts"),
        ({"time_width": 3}, "contradicts"),
        ({"count": 4}, "others came out"),
        ({"count": 2**32 - 1}, "contradicts"),
        ({"length": 1}, "contradicts"),
        ({"packed": b"\x00\x01"}, "cannot be unpacked"),
        ({"packed": zlib.compress(bytes(10**6))}, "others came out"),
    ],
)
def test_a_sound_checksum_is_not_enough(changed, says):
    assert same_bits(decode(resealed(encode(DIGITS))), DIGITS)
    with pytest.raises(ChunkDamaged, match=says):
        decode(resealed(encode(DIGITS), **changed))


@pytest.mark.parametrize("cut", [slice(0, -1), slice(0, -4), slice(0, None)])
def test_packed_samples_end_where_they_end(cut):
    """Their own check cut off, or something behind it."""
    chunk = encode(DIGITS)
    packed = chunk[series_chunk._HEADER.size : -4][cut] + (b"\0" if cut.stop is None else b"")
    with pytest.raises(ChunkDamaged, match="others came out"):
        decode(resealed(chunk, packed=packed))


def test_a_small_chunk_cannot_fill_the_memory():
    bomb = resealed(encode(DIGITS), packed=zlib.compress(bytes(20_000_000), 1))
    tracemalloc.start()
    try:
        with pytest.raises(ChunkDamaged, match="others came out"):
            decode(bomb)
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()


def test_versions_and_strangers():
    with pytest.raises(UnknownChunk, match="version 2"):
        decode(resealed(encode(DIGITS), version=2))
    with pytest.raises(UnknownChunk, match="no chunk"):
        decode(b"PK\x03\x04 something else entirely")


def test_a_golden_chunk_is_read_for_ever():
    """Written by version 1; if this fails, stored chunks have become unreadable."""
    assert same_bits(decode(bytes.fromhex(GOLDEN)), DIGITS)


def test_too_many_samples(monkeypatch):
    monkeypatch.setattr(series_chunk, "MOST_SAMPLES", 2)
    with pytest.raises(ChunkTooLarge, match="at most 2"):
        encode(DIGITS)


def test_size_of_a_day():
    """A day of a temperature that wanders by tenths, once a minute: 23 kB of numbers in less than 2 kB."""
    steps = np.random.default_rng(7).integers(-2, 3, 1440)
    series = SignalSeries(np.arange(1440, dtype=np.int64) * MINUTE, (2150 + np.cumsum(steps)) / 10)
    assert len(encode(series)) < 2_000
    assert same_bits(decode(encode(series)), series)


GOLDEN = (
    "8953494701010101030000000b00000007000000000000000100000000000000c900000000000000c3db698d8cd03984638a"
    "a9fb7dfab922b362ae0031d6dd7a7d81a23e0ec5bc06789c6360fa0f00010601029c81a22d"
)

"""What packing and judging a plant's signals costs, beside a plain loop over the same samples. Run by hand:

    PYTHONPATH=.:tests python -m benchmark.series_benchmark
    PYTHONPATH=.:tests python -m benchmark.series_benchmark --times 20

A day of 60 signals, one sample a minute each, and a year of one signal. Values wander by tenths; some logs have gaps,
dips, samples sent twice and an hour that came late. The plain loop judges the same samples one by one and finds the
same excursions and gaps, which is checked before anything is timed; it knows no findings and no statistics, so it
does less. Times are medians of several runs in milliseconds; the goals are in brackets.
"""

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from service.core.series_chunk import decode, encode
from service.core.signal_series import Judgement, judge
from service.core.signals import CriticalParameter, SignalSeries

MINUTE = 60_000
DAY = 1_440
SIGNALS = 60
YEAR = 365 * DAY
LEAST, MOST = 205.0, 225.0
BED = CriticalParameter(
    "bed temperature", "degrees C", LEAST, MOST, MINUTE, 5 * MINUTE, 2 * MINUTE, 30 * MINUTE, -20.0, 350.0
)


def invented(samples: int, seed: int, *, has_oddities: bool) -> SignalSeries:
    chance = np.random.default_rng(seed)
    times = np.arange(samples, dtype=np.int64) * MINUTE
    values = (2150 + np.rint(30 * np.sin(times / 3e6)) + chance.integers(-5, 6, samples)) / 10
    for place in chance.integers(0, samples - 60, samples // DAY + 1):
        values[place : place + 40] = (1950 + chance.integers(0, 9, 40)) / 10
    kept = np.ones(samples, np.bool_)
    for place in chance.integers(0, samples - 60, samples // DAY + 1):
        kept[place : place + 20] = False
    times, values = times[kept], values[kept]
    if has_oddities:
        late = np.arange(len(times) // 2, len(times) // 2 + 60)
        rest = np.delete(np.arange(len(times)), late)
        order = np.concatenate((rest, late, late[:10]))
        times, values = times[order], values[order]
    return SignalSeries(times, values)


def plain_loop(times: Sequence[int], values: Sequence[float], to_ms: int) -> tuple[int, int, int]:
    """Excursions that count, brief ones and gaps, sample by sample."""
    counted = brief = gaps = 0
    last, side, start, is_open = 0, 0, 0, False
    known: dict[int, list[float]] = {}
    for moment, value in zip(times, values, strict=True):
        if value == value and BED.physical_least <= value <= BED.physical_most:
            known.setdefault(moment, []).append(value)
    for moment in [*sorted(known), to_ms]:
        is_gap = moment - last > BED.bridge_ms
        gaps += is_gap
        at_moment = known.get(moment)
        now = 0 if at_moment is None else -1 if min(at_moment) < LEAST else 1 if max(at_moment) > MOST else 0
        if side and (is_gap or now != side or at_moment is None):
            end = min(last + BED.interval_ms, moment) if is_gap else moment
            if is_open or is_gap or at_moment is None or end - start > BED.minimum_ms:
                counted += 1
            else:
                brief += 1
            side = 0
        if now and not side:
            side, start, is_open = now, moment, is_gap
        last = moment
    return counted, brief, gaps


def counts(judgement: Judgement) -> tuple[int, int, int]:
    return len(judgement.excursions), len(judgement.brief), len(judgement.gaps)


def median_ms(times: int, work: Callable[[], Any]) -> float:
    work()
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        taken.append((time.perf_counter() - begun) * 1000)
    return statistics.median(taken)


def rows(times: int) -> list[str]:
    day = [invented(DAY, seed, has_oddities=seed % 5 == 0) for seed in range(SIGNALS)]
    year = [invented(YEAR, 1, has_oddities=True)]
    table = ["| what | goal | p50 | plain loop | ratio | samples, excursions, gaps |", "|---|---|---|---|---|---|"]
    for name, signals, minutes, goal in (
        (f"a day of {SIGNALS} signals", day, DAY, "0.1 s"),
        ("a year of one signal", year, YEAR, "1 s"),
    ):
        end = minutes * MINUTE
        lists = [(signal.times_ms.tolist(), signal.values.tolist()) for signal in signals]
        found = [counts(judge(signal, BED, 0, end)) for signal in signals]
        if found != [plain_loop(*samples, end) for samples in lists]:
            raise SystemExit(f"{name}: the loop finds other excursions or gaps than the judge; nothing was timed")
        judged = median_ms(times, lambda signals=signals, end=end: [judge(signal, BED, 0, end) for signal in signals])
        looped = median_ms(times, lambda lists=lists, end=end: [plain_loop(*samples, end) for samples in lists])
        total = sum(len(signal) for signal in signals)
        seen = f"{total:,}, {sum(each[0] for each in found)}, {sum(each[2] for each in found)}"
        table.append(
            f"| {name}, judged | {goal} | {judged:.1f} ms | {looped:.0f} ms | {looped / judged:.1f} | {seen} |"
        )
        chunks = [encode(signal) for signal in signals]
        packed = median_ms(times, lambda signals=signals: [encode(signal) for signal in signals])
        opened = median_ms(times, lambda chunks=chunks: [decode(chunk) for chunk in chunks])
        size = f"{sum(map(len, chunks)):,} bytes, {sum(map(len, chunks)) / total:.2f} a sample"
        goal = "0.2 s" if signals is day else ""
        table.append(f"| {name}, packed | {goal} | {packed:.1f} ms | | | {size} |")
        table.append(f"| {name}, unpacked and checked | | {opened:.1f} ms | | | |")
    return table


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=7, help="how often each is repeated (default 7)")
    sys.stdout.write("\n".join(rows(parser.parse_args().times)) + "\n")

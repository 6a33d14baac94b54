"""What came out of a run against what usually comes out of its step for what was fed."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.balances.doubt import Doubts
from service.core.measured import Measured
from service.core.plausible import Plausibility, ShareFound, UsualShare, labels_left, mixed, share_of
from service.core.quantities import PPM, divide_half_up
from service.lots.statuses import Direction, Step
from service.plant.in_force import SettingsInForce, Stated
from service.plant.statuses import SettingKey

LABELS = "labels"
KEYS = (SettingKey.EXPECTED_LOW, SettingKey.EXPECTED_HIGH, SettingKey.LABEL_PASS_LEFT)


@dataclass(frozen=True)
class StreamExpected:
    """A stream with what is usual for it.

    Parameters
    ----------
    found : None for a usual stream of which nothing is booked.
    source : where the range comes from, as its setting says.
    """

    stream: str
    usual: UsualShare
    found: ShareFound | None
    source: str

    @property
    def is_doubtful(self) -> bool:
        return self.found is not None and self.found.plausibility is not Plausibility.USUAL

    @property
    def is_missing(self) -> bool:
        """Usually there, and not booked at all."""
        return self.found is None and self.usual.low_ppm > 0


def expectations(
    settings: SettingsInForce,
    step: Step,
    at: datetime,
    fed_by_material: Mapping[str, int],
    streams_out: Mapping[str, Measured],
    dry_in: Measured,
) -> list[StreamExpected]:
    """Every stream of which the plant states what is usual, booked or not, in the order of their names.

    Parameters
    ----------
    fed_by_material : dry mass by code of the material fed, micrograms.
    streams_out : what came out by stream.
    """
    found = []
    for stream in sorted({*streams_out, *_usual_streams(settings, step)}):
        stated = [(_range(settings, step, stream, code, at), mass) for code, mass in fed_by_material.items() if mass]
        known = [(low, high, mass) for (low, high), mass in stated if low is not None and high is not None]
        if not known or len(known) < len(stated):
            continue
        usual = mixed([(UsualShare(low.ppm, high.ppm), mass) for low, high, mass in known])
        measured = streams_out.get(stream)
        share = None if measured is None else share_of(measured, dry_in, usual)
        sources = dict.fromkeys(low.source for low, _, _ in known)
        found.append(StreamExpected(stream, usual, share, "; ".join(sources)))
    return found


def _usual_streams(settings: SettingsInForce, step: Step) -> set[str]:
    scopes = (scope.split("/") for scope in settings.scopes_of(SettingKey.EXPECTED_LOW))
    return {parts[1] for parts in scopes if len(parts) > 1 and parts[0] == step.value}


def _range(
    settings: SettingsInForce, step: Step, stream: str, material: str, at: datetime
) -> tuple[Stated | None, Stated | None]:
    """The range for one grade: its own, else that of the stream."""
    scopes = (f"{step.value}/{stream}/{material}", f"{step.value}/{stream}")
    low, high = (settings.find(key, scopes, at) for key in (SettingKey.EXPECTED_LOW, SettingKey.EXPECTED_HIGH))
    return low, high


def unusual_sentences(expected: Sequence[StreamExpected]) -> list[str]:
    """What is not as usual: what is not booked at all in one sentence per source, then each unusual share."""
    missing: dict[str, list[str]] = {}
    for one in expected:
        if one.is_missing:
            missing.setdefault(one.source, []).append(f"{_name(one)} ({_usual(one)} %)")
    found = [
        f"Nothing is booked as {', '.join(names)}: that much of the dry input is usual ({source})."
        for source, names in missing.items()
    ]
    return found + [_unusual(one, one.found) for one in expected if one.found is not None and one.is_doubtful]


def _unusual(one: StreamExpected, found: ShareFound) -> str:
    name, side = _name(one), "less" if found.plausibility is Plausibility.BELOW else "more"
    doubt = _percent(divide_half_up(int(found.u95_ppm * 1000), 1000))
    return (
        f"{name[:1].upper()}{name[1:]}: {_percent(found.share_ppm)} % of the dry input, ± {doubt} % (U95), is {side} "
        f"than the usual {_usual(one)} % ({one.source})."
    )


def _name(one: StreamExpected) -> str:
    return one.stream.replace("_", " ")


def _usual(one: StreamExpected) -> str:
    return f"{_percent(one.usual.low_ppm)} to {_percent(one.usual.high_ppm)}"


def labels_sentence(settings: SettingsInForce, step: Step, streams: Iterable[str], at: datetime) -> str:
    """What air classifiers leave of the labels, where labels come out of the step; '' elsewhere."""
    stated = settings.find(SettingKey.LABEL_PASS_LEFT, (step.value, ""), at)
    if stated is None or LABELS not in set(streams):
        return ""
    left = [f"{float(labels_left(passes, stated.ppm) * 100):.2g} %" for passes in (1, 2, 3)]
    return f"Of the labels about {left[0]}, {left[1]} and {left[2]} are left after one, two and three passes of an air \
classifier ({stated.source})."


def by_stream(doubts: Doubts, lines: Iterable[tuple[int, str, Direction]]) -> dict[str, Measured]:
    """What came out, by stream, from lines given as identity, stream and direction."""
    signs: dict[str, dict[int, int]] = {}
    for line_id, stream, direction in lines:
        if direction is Direction.OUT:
            signs.setdefault(stream, {})[line_id] = 1
    return {stream: doubts.total(of) for stream, of in signs.items()}


def _percent(ppm: int) -> str:
    return f"{divide_half_up(ppm * 100, PPM // 100) / 100:.2f}".rstrip("0").rstrip(".")

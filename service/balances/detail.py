"""What a balance rests on and where to look: contributions to its doubt, remarks, likely causes, usual shares."""

from collections import defaultdict
from collections.abc import Mapping
from fractions import Fraction

from sqlmodel import Session

from service.balances.advice import Seen, likely_causes, needs_advice
from service.balances.compute import BalanceDoubt, ComputedBalance
from service.balances.expected import (
    KEYS,
    StreamExpected,
    by_stream,
    expectations,
    labels_sentence,
    unusual_sentences,
)
from service.balances.schemas import BalanceDetail, CauseOut, ContributionOut, ExpectedOut
from service.core.doubt_verdict import judge
from service.core.measured import CauseKind, Measured
from service.core.quantities import PPM, divide_half_up, dry_kg_text, fraction_text
from service.journal.read import Knowledge
from service.lots.queries import materials_of
from service.lots.rows import lot_rows
from service.lots.statuses import Category, Direction, MeasurementBasis
from service.lots.tables import Process
from service.plant.in_force import SettingsInForce

CAUSES_SHOWN = 5


def detail_of(
    session: Session, process: Process, computed: ComputedBalance, known: Knowledge | None = None
) -> BalanceDetail | None:
    """The details of a balance just computed; None if only its masses were."""
    doubt = computed.doubt
    if doubt is None:
        return None
    settings = SettingsInForce(session, KEYS, known)
    out = [(line.id, line.stream, line.direction) for line in doubt.lines]
    streams = by_stream(doubt.doubts, out)
    dry_in = doubt.doubts.total({line.id: 1 for line in doubt.lines if line.direction is Direction.IN})
    fed = _fed_by_material(session, doubt, known)
    usual = expectations(settings, process.step, process.started_at, fed, streams, dry_in)
    labels = labels_sentence(settings, process.step, streams, process.started_at)
    return BalanceDetail(
        contributions=contributions_out(doubt.unexplained),
        largest_causes=_largest(doubt),
        remarks=list(doubt.doubts.remarks),
        likely_causes=_causes(session, process, computed, doubt, usual),
        unusual=[*unusual_sentences(usual), *([labels] if labels else [])],
        streams=[_expected_out(one) for one in usual],
    )


def contributions_out(quantity: Measured) -> list[ContributionOut]:
    """What each kind of cause adds to a doubt, the largest first."""
    return [
        ContributionOut(kind=part.kind, u_kg=_kg(part.u_ug), variance_share=f"{part.share:.6f}")
        for part in quantity.contributions()
    ]


def _largest(doubt: BalanceDoubt) -> list[CauseOut]:
    """The largest single causes; what a reader takes for one cause is counted as one."""
    whole = doubt.unexplained.variance_ug2
    variances: dict[tuple[CauseKind, str], float] = defaultdict(float)
    for cause, u_ug in doubt.unexplained.parts.items():
        variances[cause.kind, doubt.doubts.words(cause)] += u_ug * u_ug
    ranked = sorted(variances.items(), key=lambda item: (-item[1], item[0]))
    return [
        CauseOut(kind=kind, cause=words, u_kg=_kg(variance**0.5), variance_share=f"{variance / whole:.6f}")
        for (kind, words), variance in ranked[:CAUSES_SHOWN]
        if variance
    ]


def _fed_by_material(session: Session, doubt: BalanceDoubt, known: Knowledge | None) -> Mapping[str, int]:
    """Dry mass fed, by code of the material; ties are not what products are made of."""
    fed = [line for line in doubt.lines if line.direction is Direction.IN and line.category is not Category.TIES]
    materials = materials_of(session, {line.lot_id for line in fed if line.lot_id is not None}, known)
    masses: dict[str, int] = defaultdict(int)
    for line in fed:
        if line.lot_id in materials:
            masses[materials[line.lot_id].code] += doubt.doubts.of(line.id).value_ug
    return masses


def _causes(
    session: Session, process: Process, computed: ComputedBalance, doubt: BalanceDoubt, usual: list[StreamExpected]
) -> list[str]:
    balance = computed.balance
    if not needs_advice(balance.verdict, judge(doubt.unexplained).verdict):
        return []
    lots = lot_rows(session, {line.lot_id for line in doubt.lines if line.lot_id is not None})
    names = {lot.id: lot.code for lot in lots.values()}
    guessed: dict[Direction, list[str]] = {Direction.IN: [], Direction.OUT: []}
    for line in doubt.lines:
        moisture = doubt.moistures.get(line.moisture_id or 0)
        if moisture is not None and moisture.basis is not MeasurementBasis.MEASURED:
            name = f"lot {names[line.lot_id]}" if line.lot_id in names else line.stream.replace("_", " ")
            guessed[line.direction].append(name)
    sides = {line.direction for line in doubt.looping}
    return likely_causes(
        Seen(
            step=process.step,
            is_gain=balance.unexplained_ug < 0,
            kinds_fed=frozenset(
                lots[line.lot_id].kind for line in doubt.lines if line.direction is Direction.IN and line.lot_id in lots
            ),
            streams=usual,
            guessed_in=guessed[Direction.IN],
            guessed_out=guessed[Direction.OUT],
            bare=doubt.doubts.bare_lots,
            loops=bool(sides),
            loop_out_only=sides == {Direction.OUT},
        )
    )


def _expected_out(one: StreamExpected) -> ExpectedOut:
    return ExpectedOut(
        stream=one.stream,
        share_fraction=None if one.found is None else fraction_text(one.found.share_ppm),
        u95_fraction=None if one.found is None else f"{one.found.u95_ppm / PPM:.6f}",
        usual_low_fraction=fraction_text(one.usual.low_ppm),
        usual_high_fraction=fraction_text(one.usual.high_ppm),
        plausibility=None if one.found is None else one.found.plausibility,
        source=one.source,
    )


def _kg(amount_ug: float) -> str:
    return dry_kg_text(divide_half_up(*Fraction(amount_ug).as_integer_ratio()))

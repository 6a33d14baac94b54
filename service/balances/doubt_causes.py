"""The causes of doubt by name, how large each is, and how to say it to a person."""

from collections.abc import Sequence
from datetime import datetime

from service.balances.doubt_facts import DoubtFacts, DoubtfulLine
from service.core.calibration import Calibration, Standing
from service.core.measured import Cause, CauseKind
from service.core.quantities import PPM, parse_fraction
from service.journal.tables import site_of
from service.lots.statuses import Category, MeasurementBasis
from service.lots.tables import Measurement
from service.plant.in_force import calibration_of, in_force
from service.plant.statuses import SettingKey
from service.plant.tables import Instrument, Material
from service.weighbridge.tables import Delivery, Weighing


class Causes:
    """Names causes and looks up how large they are; keeps what was used, and what has to be remarked.

    Parameters
    ----------
    facts : what was read.
    """

    def __init__(self, facts: DoubtFacts) -> None:
        self.facts = facts
        self.words: dict[Cause, str] = {}
        self._used: dict[str, None] = {}
        self._remarks: dict[str, None] = {}
        self._bare: dict[str, None] = {}
        self._expired: dict[int, list[datetime]] = {}
        self._spans: dict[tuple[int, datetime], tuple[Cause, float]] = {}
        self._scales: dict[tuple[int, datetime], tuple[Instrument, Calibration]] = {}

    @property
    def used(self) -> tuple[str, ...]:
        return tuple(sorted(self._used))

    @property
    def remarks(self) -> tuple[str, ...]:
        expired = (self._expiry(scale, moments) for scale, moments in sorted(self._expired.items()))
        return tuple(f"{words[:1].upper()}{words[1:]}" for words in (*self._remarks, *expired))

    @property
    def bare_lots(self) -> tuple[str, ...]:
        return tuple(self._bare)

    def remark_bare(self, lot_id: int | None) -> None:
        """A lot was booked gross, and no packaging with it."""
        self._bare[self.lot(lot_id).removeprefix("lot ")] = None
        self.remark(f"{self.lot(lot_id)} was booked gross without any packaging")

    def use(self, label: str) -> None:
        self._used[label] = None

    def remark(self, sentence: str) -> None:
        self._remarks[sentence] = None

    def named(self, kind: CauseKind, name: str, words: str) -> Cause:
        cause = Cause(kind, name)
        self.words[cause] = words
        return cause

    def habit(self, process_id: int) -> str:
        """Whose guesses a process shares: all that one site does in one step is booked by the same people."""
        return f"site {site_of(process_id)} {self.facts.steps.get(process_id, '')}"

    def setting(self, key: SettingKey, scopes: Sequence[str], at: datetime) -> float:
        """The fraction in force. Every key has a program's default for '', so there always is one."""
        stated = self.facts.settings.find(key, scopes, at)
        if stated is None:
            # The plant ended its own setting: what then holds is nothing it stated, so all of the mass is in doubt.
            self.remark(f"no {key} was in force on {at:%Y-%m-%d}: all of what rests on it counts as doubtful")
            return 1.0
        self.use(stated.label)
        return stated.fraction

    # Scales

    def scale_at(self, scale_id: int, at: datetime) -> tuple[Instrument, Calibration]:
        """The version of a scale in force when it was used; notes when its calibration was not valid."""
        if (scale_id, at) not in self._scales:
            self._scales[scale_id, at] = self._find_scale(scale_id, at)
        return self._scales[scale_id, at]

    def _find_scale(self, scale_id: int, at: datetime) -> tuple[Instrument, Calibration]:
        row = in_force(self.facts.instruments[scale_id], at)
        self.use(f"instrument {row.id} {row.version}")
        calibration = calibration_of(row)
        if calibration.standing_at(at) is not Standing.VALID:
            self._expired.setdefault(scale_id, []).append(at)
        return row, calibration

    def _expiry(self, scale_id: int, moments: list[datetime]) -> str:
        first, last = min(moments), max(moments)
        row = in_force(self.facts.instruments[scale_id], first)
        when = f"{first:%Y-%m-%d}" if first.date() == last.date() else f"{first:%Y-%m-%d} to {last:%Y-%m-%d}"
        if row.calibrated_from is not None and first < row.calibrated_from:
            why = f"its calibration is valid only from {row.calibrated_from:%Y-%m-%d}"
        else:
            why = f"its calibration was valid until {row.calibrated_to:%Y-%m-%d}"
        return (
            f"scale {row.code} was used on {when}, but {why}: what it showed then is taken at the plant's worst "
            "default. Record the certificate that was valid then, if there is one."
        )

    def worst_of_scales(self, at: datetime) -> float:
        return self.setting(SettingKey.EXPIRED_HALF_WIDTH, ("",), at)

    def reading(self, name: str, words: str, scale_id: int, load_g: int, at: datetime) -> tuple[Cause, float]:
        """One indication of one scale: its cause and standard uncertainty, grams."""
        row, calibration = self.scale_at(scale_id, at)
        u_g = calibration.reading_u_g(load_g, at, self.worst_of_scales(at))
        return self.named(CauseKind.READING, name, f"reading of scale {row.code}: {words}"), u_g

    def span(self, scale_id: int, at: datetime) -> tuple[Cause, float]:
        """What all readings of a scale share: its cause and standard uncertainty as fraction of the mass."""
        if (scale_id, at) not in self._spans:
            row, calibration = self.scale_at(scale_id, at)
            u = calibration.span_u(at, self.worst_of_scales(at))
            # A new calibration sets the span anew: what was off before it says nothing of what is off since.
            name = f"instrument {scale_id} v{row.version}"
            cause = self.named(CauseKind.SPAN, name, f"span of scale {row.code}")
            self._spans[scale_id, at] = cause, u
        return self._spans[scale_id, at]

    def weighing(self, row: Weighing, words: str) -> tuple[Cause, float] | None:
        """The reading of a weighing; None if no scale of ours is named."""
        self.use(f"weighing {row.id} {row.version}")
        if row.instrument_id is None:
            return None
        name = f"weighing {row.id} v{row.version}"
        return self.reading(name, words, row.instrument_id, row.mass_g, row.weighed_at)

    # Moistures

    def moisture(self, line: DoubtfulLine, measurement: Measurement) -> tuple[Cause, float] | None:
        """What a line's moisture is doubted by, as fraction of the wet mass; None for ties, which are dry."""
        if line.category is Category.TIES:
            return None
        material = self.facts.materials.get(line.lot_id or 0)
        scopes = _scopes(material) if material is not None else (line.stream, "by_product", "")
        return self._moisture(measurement, scopes, self._subject_of(line, measurement))

    def moisture_of_delivery(self, delivery: Delivery, measurement: Measurement) -> tuple[Cause, float]:
        """The same of a delivery as a whole."""
        scopes = _scopes(self.facts.materials_of_deliveries[delivery.material_id])
        return self._moisture(measurement, scopes, f"ticket {delivery.ticket_no}")

    def _moisture(self, measurement: Measurement, scopes: Sequence[str], subject: str) -> tuple[Cause, float]:
        at = measurement.taken_at or measurement.effective_at
        is_measured = measurement.basis is MeasurementBasis.MEASURED
        if measurement.u_value is not None:
            u = parse_fraction(measurement.u_value) / PPM
            self.use(f"moisture {measurement.id} u {measurement.u_value}")
        else:
            u = self.setting(SettingKey.MOISTURE_U if is_measured else SettingKey.GUESSED_MOISTURE_U, scopes, at)
        if measurement.basis is MeasurementBasis.DEFAULT and measurement.setting_id is not None:
            words = f"default moisture of {scopes[1] if len(scopes) > 1 else subject}"
            return self.named(CauseKind.MOISTURE, f"setting {measurement.setting_id}", words), u
        words = f"moisture of {subject}" if is_measured else f"provisional moisture of {subject}"
        return self.named(CauseKind.MOISTURE, f"measurement {measurement.id}", words), u

    def _subject_of(self, line: DoubtfulLine, measurement: Measurement) -> str:
        """What a moisture was measured on, as the line that names it shows."""
        lot = self.facts.lots.get(line.lot_id or 0)
        if lot is None or measurement.subject_id == line.id:
            return f"{line.stream} (line {line.id})"
        if lot.delivery_id is not None and measurement.subject_id == lot.delivery_id:
            return self.ticket(lot.delivery_id)
        return f"lot {lot.code}"

    # Things people know by name

    def ticket(self, delivery_id: int) -> str:
        loaded = self.facts.deliveries.get(delivery_id)
        return f"delivery {delivery_id}" if loaded is None else f"ticket {loaded.load.delivery.ticket_no}"

    def lot(self, lot_id: int | None) -> str:
        row = self.facts.lots.get(lot_id or 0)
        return f"lot {lot_id}" if row is None else f"lot {row.code}"


def _scopes(material: Material) -> tuple[str, str, str]:
    """Where a setting of a material is looked for, the most specific first."""
    return material.code, material.form.value, ""

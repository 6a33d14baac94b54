"""Goal: stating one value of a key leaves the program's other defaults of that key in force.

Method: a default for a scope that the plant's database was begun without, as an upgrade brings it.
"""

from datetime import datetime

import pytest
from line_steps import at
from plant_fixture import Plant

from service.plant import in_force, period_settings
from service.plant.in_force import SettingsInForce
from service.plant.period_settings import PeriodSettings
from service.plant.statuses import SettingKey


def test_a_default_ends_only_with_a_setting_of_its_own_scope(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    # Other scopes of both keys are stated already: the first site brought them.
    monkeypatch.setitem(in_force._DEFAULTS, (SettingKey.MOISTURE_U, "REGRIND"), "0.004")
    monkeypatch.setitem(period_settings._DEFAULTS, (SettingKey.BULK_DENSITY, "REGRIND"), "200-210")
    for key in (SettingKey.MOISTURE_U, SettingKey.BULK_DENSITY):
        setting = {"key": key.value, "scope": "REGRIND", "valid_from": at(4), "valid_to": at(6), "source": "a trial"}
        plant.post("/v1/settings", setting | {"value": "0.002" if key is SettingKey.MOISTURE_U else "300-310"})

    def found(hour: float) -> tuple[int | None, str | None]:
        moment = datetime.fromisoformat(at(hour))
        with plant.database.read() as session:
            stated = SettingsInForce(session, [SettingKey.MOISTURE_U]).find(SettingKey.MOISTURE_U, ("REGRIND",), moment)
            text = PeriodSettings(session).text(SettingKey.BULK_DENSITY, ("REGRIND",), moment)
        return None if stated is None else stated.ppm, None if text is None else text[0]

    assert found(3) == (4_000, "200-210")
    assert found(5) == (2_000, "300-310")
    assert found(7) == (None, None)

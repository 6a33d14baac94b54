"""Settings every plant starts with. They become dated facts of the plant and are changed there, not here.

None of these has a published source: all are marked as common practice, and a plant replaces each by its
own validated or contractual value.
"""

from service.plant.statuses import SettingKey

COMMON_PRACTICE = "common practice, no source; replace by the plant's own value"

# Tolerances are fractions of the dry input of the run, moistures of the wet mass.
DEFAULT_SETTINGS: tuple[tuple[SettingKey, str, str], ...] = (
    (SettingKey.BALANCE_TOLERANCE, "", "0.02"),
    (SettingKey.BALANCE_TOLERANCE, "label_separation", "0.03"),
    (SettingKey.BALANCE_TOLERANCE, "wash", "0.03"),
    (SettingKey.BALANCE_TOLERANCE, "rinse_and_flotation", "0.03"),
    (SettingKey.BALANCE_TOLERANCE, "thermal_preheating", "0.01"),
    (SettingKey.BALANCE_TOLERANCE, "flake_sorting", "0.01"),
    (SettingKey.BALANCE_TOLERANCE, "resorting", "0.01"),
    (SettingKey.BALANCE_TOLERANCE, "drying", "0.01"),
    (SettingKey.BALANCE_TOLERANCE, "extrusion", "0.01"),
    (SettingKey.BALANCE_TOLERANCE, "crystallising", "0.005"),
    (SettingKey.BALANCE_TOLERANCE, "reactor", "0.005"),
    (SettingKey.BALANCE_TOLERANCE, "bagging", "0.002"),
    (SettingKey.BALANCE_TOLERANCE, "packing", "0.002"),
    (SettingKey.BALANCE_TOLERANCE, "split", "0.002"),
    (SettingKey.BALANCE_TOLERANCE, "merge", "0.002"),
    (SettingKey.SUPPLIER_NET_TOLERANCE, "", "0.005"),
    (SettingKey.LOT_TOLERANCE, "", "0"),
    (SettingKey.DEFAULT_MOISTURE, "bales", "0.05"),
    (SettingKey.DEFAULT_MOISTURE, "loose", "0.05"),
    (SettingKey.DEFAULT_MOISTURE, "flake", "0.007"),
    (SettingKey.DEFAULT_MOISTURE, "pellets", "0.002"),
    (SettingKey.DEFAULT_MOISTURE, "by_product", "0.05"),
    (SettingKey.DEFAULT_MOISTURE, "virgin", "0.002"),
    (SettingKey.DEFAULT_MOISTURE, "additive", "0.001"),
    (SettingKey.DEFAULT_MOISTURE, "", "0"),
)

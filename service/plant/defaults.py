"""Settings every plant starts with. They become dated facts of the plant and are changed there, not here.

None of these has a published source: all are marked as common practice, and a plant replaces each by its
own validated or contractual value.
"""

from service.plant.statuses import SettingKey

COMMON_PRACTICE = "common practice, no source; replace by the plant's own value"

# What usually comes out of a step, lowest and highest, of the dry input. Clear flake of kerbside bales is 0.60 to 0.75,
# of deposit bales 0.80 to 0.90: a plant states both by material. Colours and trays are 0.03 to 0.12 together, so of
# each stream of them only the highest says something; so of metal and PVC, which some book together and some apart.
USUAL_SHARES = (
    ("wash", "clear_flake", "0.6", "0.9"),
    ("wash", "light_blue", "0", "0.12"),
    ("wash", "colour_reject", "0", "0.12"),
    ("wash", "po_flake", "0.05", "0.09"),
    ("wash", "labels", "0.02", "0.04"),
    ("wash", "fines", "0.01", "0.03"),
    ("wash", "effluent", "0.01", "0.04"),
    ("wash", "metal", "0", "0.005"),
    ("wash", "pvc", "0", "0.005"),
    ("wash", "metal_pvc", "0", "0.01"),
    ("label_separation", "labels", "0.02", "0.04"),
    ("flake_sorting", "ejects", "0.01", "0.04"),
    ("resorting", "ejects", "0.01", "0.04"),
    ("extrusion", "pellets", "0.985", "0.995"),
    ("extrusion", "filter_cake", "0.002", "0.008"),
    ("extrusion", "lumps", "0.002", "0.005"),
    ("extrusion", "condensate", "0.001", "0.003"),
    ("crystallising", "pellets", "0.996", "0.999"),
    ("reactor", "pellets", "0.996", "0.999"),
    ("reactor", "dust", "0.001", "0.003"),
)

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
    # Half of what is usually stated for k = 2: oven on one to three bales 1.5 % absolute (the sampling, not the oven),
    # halogen balance on flake 0.1 %, coulometric on pellets 10 ppm, oven on sludge and other wet by-products 5 %.
    (SettingKey.MOISTURE_U, "bales", "0.0075"),
    (SettingKey.MOISTURE_U, "loose", "0.0075"),
    (SettingKey.MOISTURE_U, "flake", "0.0005"),
    (SettingKey.MOISTURE_U, "pellets", "0.000005"),
    (SettingKey.MOISTURE_U, "virgin", "0.000005"),
    (SettingKey.MOISTURE_U, "additive", "0.0005"),
    (SettingKey.MOISTURE_U, "by_product", "0.025"),
    (SettingKey.MOISTURE_U, "", "0.025"),
    (SettingKey.GUESSED_MOISTURE_U, "bales", "0.015"),
    (SettingKey.GUESSED_MOISTURE_U, "loose", "0.015"),
    (SettingKey.GUESSED_MOISTURE_U, "flake", "0.003"),
    (SettingKey.GUESSED_MOISTURE_U, "pellets", "0.001"),
    (SettingKey.GUESSED_MOISTURE_U, "virgin", "0.001"),
    (SettingKey.GUESSED_MOISTURE_U, "additive", "0.001"),
    (SettingKey.GUESSED_MOISTURE_U, "by_product", "0.05"),
    (SettingKey.GUESSED_MOISTURE_U, "", "0.05"),
    (SettingKey.ALLOCATION_SPREAD, "", "0.1"),
    (SettingKey.ESTIMATE_HALF_WIDTH, "", "0.5"),
    (SettingKey.UNSTATED_HALF_WIDTH, "", "0.02"),
    (SettingKey.EXPIRED_HALF_WIDTH, "", "0.01"),
    (SettingKey.LISTED_TIE_HALF_WIDTH, "", "0.333333"),
    (SettingKey.LABEL_PASS_LEFT, "", "0.08"),
    *(
        (key, f"{step}/{stream}", value)
        for step, stream, low, high in USUAL_SHARES
        for key, value in ((SettingKey.EXPECTED_LOW, low), (SettingKey.EXPECTED_HIGH, high))
    ),
    (SettingKey.PERIOD_TOLERANCE, "wash/day", "0.03"),
    (SettingKey.PERIOD_TOLERANCE, "wash/week", "0.02"),
    (SettingKey.PERIOD_TOLERANCE, "wash/month", "0.015"),
    (SettingKey.PERIOD_TOLERANCE, "extrusion/week", "0.005"),
    (SettingKey.PERIOD_TOLERANCE, "site/audit_year", "0.02"),
    (SettingKey.PERIOD_TOLERANCE, "site", "0.02"),
    (SettingKey.SHIFT_STARTS, "", "06:00,14:00,22:00"),
    (SettingKey.AUDIT_YEAR_START, "", "01-01"),
    (SettingKey.BULK_DENSITY, "flake", "250-400"),
    (SettingKey.BULK_DENSITY, "pellets", "720-880"),
    (SettingKey.LEVEL_HALF_WIDTH, "", "0.05"),
    (SettingKey.LEVEL_HALF_WIDTH, "load_cells", "0.01"),
)

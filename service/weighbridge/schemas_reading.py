"""What comes in when a reading was typed in wrongly."""

from service.web import Body, KgIn, Reason


class WeighingCorrectionIn(Body):
    """What the scale really showed; the mistyped figure stays readable as the earlier version."""

    mass_kg: KgIn
    reason: Reason

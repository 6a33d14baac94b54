"""Kinds of actor."""

from enum import StrEnum


class ActorKind(StrEnum):
    PERSON = "person"
    DEVICE = "device"
    SYSTEM = "system"
    ERP = "erp"

"""The acts a person may be authorised for, and what a laboratory may demand of them."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum


class Act(StrEnum):
    """What a person may be authorised to do."""

    CHECK = "check"
    SIGN = "sign"
    RETIRE = "retire"
    CALIBRATE = "calibrate"
    RELEASE = "release"
    MANAGE = "manage"


ACT_TEXTS: Mapping[Act, str] = {
    Act.CHECK: "check sieves, also with reference material; record certificates",
    Act.SIGN: "sign off checks and the ledger",
    Act.RETIRE: "retire sieves",
    Act.CALIBRATE: "record artefacts, devices, scales, lamps and equipment",
    Act.RELEASE: "return sieves to service, decide about results, issue reports",
    Act.MANAGE: "persons, rules, sieves, intervals, corrections, validation, findings",
}


class Demand(StrEnum):
    """What happens to an act without a valid authorisation."""

    OFF = "off"
    MARK = "mark"
    DEMAND = "demand"

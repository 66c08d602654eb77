"""Every error the registry raises: a message template and an exit code.

SievewardError                     (sieve_inspect.errors)
├── UsageError                     2
│   └── BadTextError               2   a name or note that cannot be recorded as written
├── RegistryError              30–39   the registry cannot carry out the request
│   ├── RegistryLockedError       30
│   ├── RegistryFileError         31
│   │   └── NoRightError          31   the database gives this user no right to it
│   ├── UnknownSieveError         32
│   ├── DuplicateSieveError       33
│   ├── SieveRetiredError         34
│   ├── UnknownCheckError         35
│   ├── ForeignRegistryError      36
│   ├── DateRefusedError          37
│   ├── EvidenceError             38
│   └── NoRegistryError           39
├── IntegrityError      40, 41, …    records or evidence were altered or lost
│   ├── BrokenRecordError         40
│   ├── EvidenceAlteredError      41
│   ├── LostEventsError           58   the newest known event is not in the registry
│   └── ReportDiffersError        68   a file is no report as it was issued
├── RuleError                  42–69   the request contradicts the records or a rule
│   ├── RuleRefusedError          42
│   ├── UnknownRecordError        43
│   ├── StackError                44
│   ├── NetworkDriveError         45
│   ├── ArchiveError              46
│   ├── SignatureError            47
│   ├── BadRowsError              48
│   ├── DuplicateThingError       50   an artefact or device of that name exists
│   ├── ScaleRefusedError      51–55   a recorded scale is not valid for the check
│   │   ├── ArtefactExpiredError  51
│   │   ├── ScaleExpiredError     52
│   │   ├── SettingDiffersError   53
│   │   ├── StandOffError         54
│   │   ├── TemperatureError      55
│   │   └── ImplausibleScaleError 59   dpi, setting or last scale contradict it
│   ├── UnknownThingError         56   no artefact, device or recorded scale of that name
│   ├── IlluminationRefusedError  57   a recorded illumination is not valid for the check
│   ├── NotAuthorisedError        61   the person has no valid authorisation for the act
│   ├── SignInError               62   nobody has signed in, or the password is wrong
│   ├── PersonError               63   no such person, or a change that cannot be made
│   ├── EquipmentRefusedError     64   equipment is quarantined, retired or expired
│   ├── ReportError               67   no such issued report, or it cannot be amended
│   └── FindingError              69   no such finding, or it cannot be answered or closed
└── UnforeseenError               49   a fault of the program itself
"""

from __future__ import annotations

from sieve_registry.errors.integrity import (
    BrokenRecordError,
    EvidenceAlteredError,
    IntegrityError,
    LostEventsError,
    ReportDiffersError,
)
from sieve_registry.errors.people import NotAuthorisedError, PersonError, SignInError
from sieve_registry.errors.proof import FindingError, ReportError
from sieve_registry.errors.registry import (
    BadTextError,
    DateRefusedError,
    DuplicateSieveError,
    EvidenceError,
    ForeignRegistryError,
    NoRegistryError,
    NoRightError,
    RegistryError,
    RegistryFileError,
    RegistryLockedError,
    SieveRetiredError,
    UnforeseenError,
    UnknownCheckError,
    UnknownSieveError,
)
from sieve_registry.errors.rules import (
    ArchiveError,
    BadRowsError,
    NetworkDriveError,
    RuleError,
    RuleRefusedError,
    SignatureError,
    StackError,
    UnknownRecordError,
)
from sieve_registry.errors.scales import (
    ArtefactExpiredError,
    DuplicateThingError,
    EquipmentRefusedError,
    IlluminationRefusedError,
    ImplausibleScaleError,
    ScaleExpiredError,
    ScaleRefusedError,
    SettingDiffersError,
    StandOffError,
    TemperatureError,
    UnknownThingError,
)

__all__ = [
    "ArchiveError",
    "ArtefactExpiredError",
    "BadRowsError",
    "BadTextError",
    "BrokenRecordError",
    "DateRefusedError",
    "DuplicateSieveError",
    "DuplicateThingError",
    "EquipmentRefusedError",
    "EvidenceAlteredError",
    "EvidenceError",
    "FindingError",
    "ForeignRegistryError",
    "IlluminationRefusedError",
    "ImplausibleScaleError",
    "IntegrityError",
    "LostEventsError",
    "NetworkDriveError",
    "NoRegistryError",
    "NoRightError",
    "NotAuthorisedError",
    "PersonError",
    "RegistryError",
    "RegistryFileError",
    "RegistryLockedError",
    "ReportDiffersError",
    "ReportError",
    "RuleError",
    "RuleRefusedError",
    "ScaleExpiredError",
    "ScaleRefusedError",
    "SettingDiffersError",
    "SieveRetiredError",
    "SignInError",
    "SignatureError",
    "StackError",
    "StandOffError",
    "TemperatureError",
    "UnforeseenError",
    "UnknownCheckError",
    "UnknownRecordError",
    "UnknownSieveError",
    "UnknownThingError",
]

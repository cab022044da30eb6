"""The relational model, one file per family; importing this package loads every table."""

from calfleet.store.models.audit import AuditEntryRow
from calfleet.store.models.calibrations import (
    CalibrationCycleRow,
    CalibrationFindingRow,
    CalibrationGaugeRow,
    CalibrationResultRow,
    CalibrationRow,
)
from calfleet.store.models.gauges import (
    CertificatePointRow,
    CertificateRow,
    CertificateStandardRow,
    CertificateWithdrawalRow,
    GaugeRevisionRow,
    GaugeRow,
)
from calfleet.store.models.policies import IntervalPolicyRow
from calfleet.store.models.procedures import (
    ProcedureHazardRow,
    ProcedureRevisionRow,
    ProcedureRow,
    ProcedureScopeRow,
    ProcedureStepRow,
)
from calfleet.store.models.shop import (
    AccreditationRow,
    AreaRow,
    LaboratoryRow,
    PersonRoleRow,
    PersonRow,
    QualificationRow,
    SiteRow,
)
from calfleet.store.models.switches import (
    SetPointRow,
    SwitchHazardRow,
    SwitchRevisionRow,
    SwitchRow,
)

__all__ = [
    "AccreditationRow",
    "AreaRow",
    "AuditEntryRow",
    "CalibrationCycleRow",
    "CalibrationFindingRow",
    "CalibrationGaugeRow",
    "CalibrationResultRow",
    "CalibrationRow",
    "CertificatePointRow",
    "CertificateRow",
    "CertificateStandardRow",
    "CertificateWithdrawalRow",
    "GaugeRevisionRow",
    "GaugeRow",
    "IntervalPolicyRow",
    "LaboratoryRow",
    "PersonRoleRow",
    "PersonRow",
    "ProcedureHazardRow",
    "ProcedureRevisionRow",
    "ProcedureRow",
    "ProcedureScopeRow",
    "ProcedureStepRow",
    "QualificationRow",
    "SetPointRow",
    "SiteRow",
    "SwitchHazardRow",
    "SwitchRevisionRow",
    "SwitchRow",
]

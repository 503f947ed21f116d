"""The tables of the clinic app; each lies in the package it belongs to."""

from clinic.assignments.models import AccessGrant, Assignment
from clinic.attention.models import Flag, Notice, NoticeAnswer, Told
from clinic.audit.models import AuditEvent, RecordVersion
from clinic.jobs.models import JobRun, ProcessHeartbeat
from clinic.limits.models import AgeBandLimits, SpO2Scale, StopLimits
from clinic.measurements.models import Measurement, MeasurementSet
from clinic.patients.models import (
    CareSettingChange,
    GoalOfCare,
    IsolationNote,
    Patient,
    PatientIdentity,
    PatientIdentityVersion,
    SpO2Target,
)
from clinic.referrals.models import Referral, ReferralImport
from clinic.safety.models import ConcernAnswer, SafetyConcern
from clinic.staff.models import Absence, Competency, Person, Shift, StandardMinutes
from clinic.units.models import CareSettingRule, ClinicNumber, Unit

__all__ = [
    "Absence",
    "AccessGrant",
    "AgeBandLimits",
    "Assignment",
    "AuditEvent",
    "CareSettingChange",
    "CareSettingRule",
    "ClinicNumber",
    "Competency",
    "ConcernAnswer",
    "Flag",
    "GoalOfCare",
    "IsolationNote",
    "JobRun",
    "Measurement",
    "MeasurementSet",
    "Notice",
    "NoticeAnswer",
    "Patient",
    "PatientIdentity",
    "PatientIdentityVersion",
    "Person",
    "ProcessHeartbeat",
    "RecordVersion",
    "Referral",
    "ReferralImport",
    "SafetyConcern",
    "Shift",
    "SpO2Scale",
    "SpO2Target",
    "StandardMinutes",
    "StopLimits",
    "Told",
    "Unit",
]

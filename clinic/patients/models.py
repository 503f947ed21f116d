"""Patients: the clinical row, and apart from it the identity that can be erased."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import ENCODER, AmendableModel, EpisodeModel, EventModel
from clinic.units.models import CareSetting


class Sex(models.TextChoices):
    FEMALE = "female", "female"
    MALE = "male", "male"
    OTHER = "other", "other"
    UNKNOWN = "unknown", "not recorded"


class DiagnosisGroup(models.TextChoices):
    CYSTIC_FIBROSIS = "cystic_fibrosis", "cystic fibrosis"
    BRONCHIECTASIS = "bronchiectasis", "bronchiectasis without CF"
    COPD = "copd", "COPD"
    ASTHMA = "asthma", "asthma"
    NEUROMUSCULAR = "neuromuscular", "neuromuscular disease"
    SPINAL_INJURY = "spinal_injury", "spinal cord injury"
    PNEUMONIA = "pneumonia", "pneumonia"
    POST_OPERATIVE = "post_operative", "after surgery"
    ARTIFICIAL_AIRWAY = "artificial_airway", "tracheostomy or ventilator"
    OTHER = "other", "other"


class PatientState(models.TextChoices):
    REFERRED = "referred", "referred"
    ACTIVE = "active", "on the caseload"
    DISCHARGED = "discharged", "discharged"
    DIED = "died", "died"


class Patient(AmendableModel):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    state = models.CharField(max_length=10, choices=PatientState, default=PatientState.REFERRED)
    state_since = models.DateTimeField(default=timezone.now)
    birth_year = models.PositiveSmallIntegerField()
    sex = models.CharField(max_length=10, choices=Sex, default=Sex.UNKNOWN)
    unit = models.ForeignKey("clinic.Unit", on_delete=models.PROTECT, null=True, related_name="patients")
    room = models.CharField(max_length=40, blank=True)
    diagnosis_group = models.CharField(max_length=20, choices=DiagnosisGroup, default=DiagnosisGroup.OTHER)
    diagnosis = models.CharField(max_length=200, blank=True)
    language = models.CharField(max_length=40, blank=True, help_text="Where an interpreter is needed.")

    class Meta(AmendableModel.Meta):
        indexes = [models.Index(fields=["state", "unit"], name="patient_state_unit")]

    @property
    def patient_id(self) -> object:
        """So that amending a patient audits whose row it was, as for every other record."""
        return self.pk


class CareSettingChange(EventModel):
    """That a patient came into another care setting; whoever treats there screens again first."""

    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="care_setting_changes")
    was = models.CharField(
        max_length=12, choices=CareSetting, blank=True, help_text="Blank: not known before."
    )
    now = models.CharField(max_length=12, choices=CareSetting)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="care_setting_change_append_only")]
        indexes = [models.Index(fields=["patient", "at"], name="care_setting_change_at")]


class PatientIdentity(AmendableModel):
    patient = models.OneToOneField(
        Patient, on_delete=models.PROTECT, primary_key=True, related_name="identity"
    )
    record_number = models.CharField(max_length=40, unique=True)
    national_number = models.CharField(max_length=20, blank=True)
    family_name = models.CharField(max_length=80)
    given_name = models.CharField(max_length=80)
    preferred_name = models.CharField(max_length=80, blank=True)
    title = models.CharField(max_length=20, blank=True)
    birth_date = models.DateField()
    address = models.CharField(max_length=300, blank=True)
    phone = models.CharField(max_length=40, blank=True)
    contact_name = models.CharField(max_length=120, blank=True)
    contact_phone = models.CharField(max_length=40, blank=True)
    name_sound = models.CharField(
        max_length=80, help_text="Family name folded for similar-name marks and search."
    )

    class Meta(AmendableModel.Meta):
        indexes = [
            models.Index(fields=["family_name", "given_name"], name="identity_name"),
            models.Index(fields=["name_sound"], name="identity_name_sound"),
            models.Index(fields=["birth_date"], name="identity_birth_date"),
        ]

    @classmethod
    def version_model(cls) -> type[models.Model]:
        return PatientIdentityVersion


class PatientIdentityVersion(EventModel):
    """A superseded identity. The only version table with names; only the disposal after retention may empty it."""

    subject_type = models.CharField(max_length=80)
    subject_id = models.CharField(max_length=40)
    number = models.PositiveIntegerField()
    values = models.JSONField(encoder=ENCODER)
    author = models.ForeignKey(
        "clinic.Person", on_delete=models.PROTECT, related_name="+", db_constraint=False
    )
    reason = models.CharField(max_length=500)
    at = models.DateTimeField(default=timezone.now)

    class Meta(EventModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["subject_id", "number"], name="one_row_per_identity_version")
        ]


class Isolation(models.TextChoices):
    """In the order in which rooms are visited."""

    PROTECTIVE = "protective", "Protective"
    STANDARD = "standard", "Standard"
    CONTACT = "contact", "Contact"
    DROPLET = "droplet", "Droplet"
    AIRBORNE = "airborne", "Airborne"


class IsolationNote(EpisodeModel):
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="isolation_notes")
    kind = models.CharField(max_length=12, choices=Isolation)
    words = models.CharField(max_length=200, blank=True, help_text="What to wear, like: gown, gloves.")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["patient"],
                condition=models.Q(ended_at__isnull=True),
                name="one_isolation_note_in_force",
            )
        ]


class GoalOfCare(EpisodeModel):
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="goals_of_care")
    words = models.CharField(max_length=500)
    comfort_only = models.BooleanField(default=False)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")


class SpO2Target(EpisodeModel):
    """Target range for this patient, and below what to stop. No default: where none is set the app asks."""

    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="spo2_targets")
    low_percent = models.PositiveSmallIntegerField()
    high_percent = models.PositiveSmallIntegerField()
    stop_below_percent = models.PositiveSmallIntegerField(null=True, blank=True)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["patient"], condition=models.Q(ended_at__isnull=True), name="one_spo2_target_in_force"
            ),
            models.CheckConstraint(
                condition=models.Q(
                    low_percent__gte=50, high_percent__lte=100, low_percent__lt=models.F("high_percent")
                ),
                name="spo2_target_in_range",
            ),
        ]

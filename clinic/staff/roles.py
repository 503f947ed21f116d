"""The roles of the people who sign in."""

from django.db import models


class Role(models.TextChoices):
    LEAD = "lead", "department lead"
    THERAPIST = "therapist", "therapist"
    MANAGER = "manager", "manager"
    ADMINISTRATOR = "administrator", "administrator"


CLINICAL = (Role.LEAD, Role.THERAPIST)
EVERYONE = tuple(Role)

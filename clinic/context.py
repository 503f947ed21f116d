"""What the frame of every page needs: the clinic's name, the navigation of the role, the person, and now."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone


def frame(request: HttpRequest) -> dict[str, Any]:
    """Context for base.html; the navigation itself is asked for only where the frame is drawn."""
    return {
        "clinic_name": settings.CLINIC_NAME,
        "training_data": settings.TRAINING_DATA,
        "now": timezone.now(),
    }

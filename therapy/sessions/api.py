"""The API of treatments: the same payload as the page, for tablets."""

from typing import Any

from rest_framework.decorators import api_view
from rest_framework.request import Request
from rest_framework.response import Response

from clinic.access import Role, allow
from therapy.sessions import services
from therapy.sessions.payload import PayloadRefused

_STATUS = {"recorded": 201, "already_recorded": 200, "kept_beside": 200}


@api_view(["POST"])
def _treatments(request: Request) -> Response:
    sent: Any = request.data
    if not isinstance(sent, dict):
        problem = {"field": "", "code": "wrong_type", "message": "This must be an object."}
        return Response({"errors": [problem]}, status=422)
    try:
        recorded = services.record(by=request.user, payload=sent, source="tablet")
    except PayloadRefused as refused:
        return Response({"errors": [each.as_json() for each in refused.problems]}, status=422)
    treatment = recorded.treatment
    return Response(
        {
            "id": str(treatment.pk),
            "outcome": recorded.outcome,
            "recorded_at": treatment.recorded_at.isoformat(),
            "words": recorded.words,
            "outside_rules": treatment.outside_rules,
        },
        status=_STATUS[recorded.outcome],
    )


treatments = allow(Role.LEAD, Role.THERAPIST, api=True)(_treatments)

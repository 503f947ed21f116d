"""The kinds of job that the clinic itself does; each is a thin call into a service."""

from typing import Any
from uuid import UUID

from django.urls import reverse

from clinic.jobs.registry import handles
from clinic.jobs.running import Running
from clinic.referrals import importing
from clinic.referrals.models import ReferralImport
from clinic.referrals.rules import FileRefused


@handles(importing.KIND, title="Referrals from a file")
def import_referrals(running: Running) -> dict[str, Any] | None:
    """Work through one uploaded file; what is stored already is found again."""
    import_id = UUID(running.key)
    refusal = ""
    try:
        taken = importing.work_through(import_id, progress=running.progress)
    except FileRefused as refused:
        taken, refusal = ReferralImport.objects.get(pk=import_id), str(refused)
    with running.publishing() as published:
        link = {"link": reverse("referral-import", args=[import_id]), "link_words": "Open the result"}
        published.result = importing.finish(taken, refusal=refusal) | link
    return None

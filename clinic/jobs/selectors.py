"""What is shown of the jobs."""

from uuid import UUID

from django.db.models import Q, QuerySet

from clinic.jobs.models import JobRun
from clinic.staff.models import Person
from clinic.staff.roles import Role


def jobs_visible_to(person: Person) -> QuerySet[JobRun]:
    """A person's own jobs; for lead and manager also those of the clock and of others."""
    runs = JobRun.objects.select_related("requested_by")
    if not person.is_active:
        return runs.none()
    if person.role in {Role.LEAD, Role.MANAGER}:
        return runs
    return runs.filter(Q(requested_by=person))


def job(person: Person, run_id: UUID) -> JobRun | None:
    """One job, or None where this person may not see it."""
    return jobs_visible_to(person).filter(pk=run_id).first()

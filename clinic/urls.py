"""Every address of the app, by part."""

from django.urls import URLPattern, URLResolver, include, path

# Each part that shows pages adds one include() line here; the parts stand in the order of the work.
urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("clinic.frame_urls")),
    path("", include("therapy.pages.urls")),
    path("health/", include("clinic.health")),
    path("jobs/", include("clinic.jobs.urls")),
    path("attention/", include("clinic.attention.urls")),
    path("safety/", include("clinic.safety.urls")),
    path("patients/", include("clinic.patients.urls")),
    path("referrals/", include("clinic.referrals.urls")),
    path("", include("clinic.staff.urls")),
    path("", include("clinic.limits.urls")),
    path("settings/", include("clinic.units.urls")),
    path("", include("screening.urls")),
    path("", include("therapy.orders.urls")),
    path("", include("therapy.scheduling.urls")),
    path("", include("therapy.sessions.urls")),
    path("", include("therapy.outcomes.urls")),
    path("", include("therapy.reassessment.urls")),
    path("", include("therapy.reports.urls")),
    path("", include("therapy.pages.patient_urls")),
    path("", include("therapy.pages.assigning_urls")),
]

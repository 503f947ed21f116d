"""Addresses of the job pages."""

from django.urls import path

from clinic.jobs import views

urlpatterns = [
    path("<uuid:run_id>/", views.job_page, name="job"),
    path("<uuid:run_id>/state/", views.job_state, name="job-state"),
    path("<uuid:run_id>/cancel/", views.cancel_job, name="job-cancel"),
]

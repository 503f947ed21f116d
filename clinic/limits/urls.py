"""Addresses of the limits."""

from django.urls import path

from clinic.limits import views

urlpatterns = [
    path("patients/<uuid:patient_id>/stop-limits/", views.stop_limits, name="patient-stop-limits"),
    path("patients/<uuid:patient_id>/spo2-scale/", views.spo2_scale, name="patient-spo2-scale"),
    path("settings/age-bands/<slug:band>/", views.age_band, name="age-band-limits"),
]

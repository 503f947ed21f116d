"""The addresses of the patient page and of the patient's holds."""

from django.urls import path

from therapy.pages import hold_views, patient_views

urlpatterns = [
    path("patients/<uuid:patient_id>/", patient_views.patient, name="patient"),
    path("patients/<uuid:patient_id>/holds/", hold_views.holds, name="patient-holds"),
]

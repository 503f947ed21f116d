"""The address of the patient page."""

from django.urls import path

from therapy.pages import patient_views

urlpatterns = [path("patients/<uuid:patient_id>/", patient_views.patient, name="patient")]

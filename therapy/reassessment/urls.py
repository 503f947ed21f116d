"""Addresses of the reassessment pages."""

from django.urls import path

from therapy.reassessment import views

urlpatterns = [
    path("reassessment/due/", views.due, name="reassessments-due"),
    path("reassessment/due/flag/", views.flag, name="reassessments-flag"),
    path("patients/<uuid:patient_id>/reassessments/", views.of_patient, name="reassessments"),
    path("patients/<uuid:patient_id>/reassessments/new/", views.new, name="reassessment-new"),
    path(
        "patients/<uuid:patient_id>/reassessments/<uuid:reassessment_id>/correct/",
        views.correct,
        name="reassessment-correct",
    ),
]

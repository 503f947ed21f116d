"""Addresses of the pages of patients."""

from django.urls import path

from clinic.assignments import views as access
from clinic.patients import views

urlpatterns = [
    path("", views.patient_list, name="patients"),
    path("new/", views.new_patient, name="patient-new"),
    path("emergency-access/", access.emergency_access, name="emergency-access"),
    path("<uuid:patient_id>/record/", views.record, name="patient-record"),
    path("<uuid:patient_id>/identity/", views.identity, name="patient-identity"),
    path("<uuid:patient_id>/details/", views.details, name="patient-details"),
    path("<uuid:patient_id>/isolation/", views.isolation, name="patient-isolation"),
    path("<uuid:patient_id>/goal/", views.goal, name="patient-goal"),
    path("<uuid:patient_id>/spo2-target/", views.spo2_target, name="patient-spo2-target"),
    path("<uuid:patient_id>/leaving/", views.leaving, name="patient-leaving"),
    path("<uuid:patient_id>/trail/", views.trail_page, name="patient-trail"),
    path("<uuid:patient_id>/handover/", access.handover, name="handover"),
]

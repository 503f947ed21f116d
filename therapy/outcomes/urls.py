"""Addresses of the figures."""

from django.urls import path

from therapy.outcomes import views

urlpatterns = [
    path("patients/<uuid:patient_id>/outcomes/", views.patient, name="patient-outcomes"),
    path("figures/<str:week>/delivered/", views.delivered, name="figures-delivered"),
    path("figures/<str:week>/not-given/", views.not_given, name="figures-not-given"),
]

"""Addresses of safety concerns."""

from django.urls import path

from clinic.safety import views

urlpatterns = [
    path("concerns/", views.concerns, name="safety-concerns"),
    path("concerns/report/", views.report, name="safety-concern-report"),
    path("concerns/<uuid:concern_id>/", views.concern, name="safety-concern"),
    path("concerns/<uuid:concern_id>/answer/", views.answer, name="safety-concern-answer"),
]

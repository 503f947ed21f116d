"""Addresses of the pages of lifts."""

from django.urls import path

from screening.lifts import views

urlpatterns = [
    path(
        "patients/<uuid:patient_id>/screening/lift/<slug:technique>/<slug:condition>/",
        views.propose,
        name="screening-lift",
    ),
    path("lifts/<uuid:lift_id>/", views.lift_page, name="lift"),
    path("lifts/<uuid:lift_id>/end/", views.end, name="lift-end"),
]

"""Addresses of the screening pages."""

from django.urls import include, path

from screening import views

urlpatterns = [
    path("", include("screening.lifts.urls")),
    path("", include("screening.numbers.urls")),
    path("patients/<uuid:patient_id>/screening/", views.result, name="screening"),
    path("patients/<uuid:patient_id>/screening/new/", views.screen, name="screening-new"),
    path("patients/<uuid:patient_id>/screening/<uuid:screening_id>/", views.result, name="screening-earlier"),
    path("patients/<uuid:patient_id>/check/<slug:technique>/", views.bedside_check, name="bedside-check"),
    path(
        "patients/<uuid:patient_id>/screening/decide/<slug:technique>/", views.decide, name="screening-decide"
    ),
]

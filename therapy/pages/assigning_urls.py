"""Addresses of assigning and sharing out."""

from django.urls import path

from therapy.pages import assigning_views as views

urlpatterns = [
    path("assigning/", views.assign_many, name="assigning"),
    path("cover/", views.cover, name="cover"),
    path("patients/<uuid:patient_id>/assign/", views.assign_one, name="patient-assign"),
]

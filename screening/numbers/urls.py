"""Addresses of the measured numbers of a patient."""

from django.urls import path

from screening.numbers import views

urlpatterns = [
    path("patients/<uuid:patient_id>/vital-signs/", views.vital_signs, name="vital-signs"),
    path("patients/<uuid:patient_id>/vital-signs/new/", views.new_vital_signs, name="vital-signs-new"),
    path("patients/<uuid:patient_id>/exhalation/", views.exhalation, name="exhalation"),
    path("patients/<uuid:patient_id>/forced-test/", views.forced_test, name="forced-test"),
    path("measured/<uuid:set_id>/strike/", views.strike, name="measured-strike"),
]

"""Addresses of the settings."""

from django.urls import path

from clinic.units import views

urlpatterns = [
    path("", views.settings_page, name="settings"),
    path("units/new/", views.new_unit, name="unit-new"),
    path("units/<int:unit_id>/", views.unit, name="unit"),
    path("reassessment/<int:rule_id>/", views.reassessment, name="reassessment-rule"),
    path("minutes/<int:row_id>/", views.minutes, name="standard-minutes"),
    path("numbers/<slug:name>/", views.number, name="clinic-number"),
]

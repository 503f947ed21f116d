"""Addresses of the bedside pages, of treatments, and of the treatments API."""

from django.urls import path, register_converter
from django.urls.converters import StringConverter

from therapy.sessions import api, independent_views, stop_views, views


class TreatKind(StringConverter):
    """By what a treatment is reached: its due window, its scheduled visit, or the order alone."""

    regex = "window|visit|order"


register_converter(TreatKind, "treat_kind")

urlpatterns = [
    path("treat/window/<uuid:pk>/", views.start, {"kind": "window"}, name="treat-window"),
    path("treat/visit/<uuid:pk>/", views.start, {"kind": "visit"}, name="treat-visit"),
    path("treat/order/<uuid:pk>/", views.start, {"kind": "order"}, name="treat-order"),
    path("treat/<treat_kind:kind>/<uuid:pk>/begin/", views.begin, name="treat-begin"),
    path("treat/<treat_kind:kind>/<uuid:pk>/record/", views.record, name="treat-record"),
    path("treat/<treat_kind:kind>/<uuid:pk>/record/findings/", views.findings, name="treat-findings"),
    path("treat/<treat_kind:kind>/<uuid:pk>/not-given/", views.not_given, name="treat-not-given"),
    path("treat/<treat_kind:kind>/<uuid:pk>/stop/", stop_views.stop, name="treat-stop"),
    path("stops/<uuid:stop_id>/", stop_views.page, name="stop"),
    path("stops/<uuid:stop_id>/sign/", stop_views.sign, name="stop-sign"),
    path("stops/<uuid:stop_id>/told/", stop_views.told, name="stop-told"),
    path("stops/<uuid:stop_id>/check/<int:minutes>/", stop_views.recheck, name="stop-recheck"),
    path("treatments/<uuid:treatment_id>/", views.treatment, name="treatment"),
    path("treatments/<uuid:treatment_id>/amend/", views.amend, name="treatment-amend"),
    path("treatments/<uuid:treatment_id>/strike/", views.strike, name="treatment-strike"),
    path("treatments/<uuid:treatment_id>/sign/", views.sign, name="treatment-sign"),
    path("patients/<uuid:patient_id>/treatments/", views.treatments, name="treatments"),
    path(
        "patients/<uuid:patient_id>/independent-sets/",
        independent_views.independent_sets,
        name="independent-sets",
    ),
    path(
        "patients/<uuid:patient_id>/independent-sets/<uuid:entry_id>/",
        independent_views.correct,
        name="independent-sets-correct",
    ),
    path("api/v1/treatments", api.treatments, name="api-treatments"),
]

"""Addresses of the report pages."""

from django.urls import path

from therapy.reports import views

urlpatterns = [
    path("reports/", views.reports, name="reports"),
    path("reports/build/", views.build, name="report-build"),
    path("reports/<uuid:report_id>/", views.report, name="report"),
    path("reports/<uuid:report_id>/pdf/", views.report_pdf, name="report-pdf"),
]

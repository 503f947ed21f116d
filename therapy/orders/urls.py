"""Addresses of the order pages."""

from django.urls import path

from therapy.orders import views

urlpatterns = [
    path("orders/", views.waiting, name="orders"),
    path("patients/<uuid:patient_id>/orders/", views.orders_of_patient, name="patient-orders"),
    path("patients/<uuid:patient_id>/orders/new/", views.choose_technique, name="choose-technique"),
    path("patients/<uuid:patient_id>/orders/new/<slug:technique>/", views.new_order, name="new-order"),
    path("orders/<uuid:order_id>/", views.order_page, name="order"),
    path("orders/<uuid:order_id>/start/", views.start, name="start-order"),
    path("orders/<uuid:order_id>/change/", views.change, name="change-order"),
    path("orders/<uuid:order_id>/hold/", views.hold, name="hold-order"),
    path("orders/<uuid:order_id>/resume/", views.resume, name="resume-order"),
    path("orders/<uuid:order_id>/stop/", views.stop, name="stop-order"),
    path("orders/<uuid:order_id>/sign/", views.sign, name="sign-order"),
]

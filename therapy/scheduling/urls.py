"""Addresses of the day schedule."""

from django.urls import path

from therapy.scheduling import views

urlpatterns = [
    path("schedule/", views.day, name="day-schedule"),
    path("schedule/in-order/", views.give_in_order, name="give-in-order"),
    path("schedule/windows/<uuid:window_id>/give/", views.give, name="give-window"),
    path("schedule/visits/<uuid:visit_id>/", views.visit, name="visit"),
]

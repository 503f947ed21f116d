"""Addresses of what needs attention."""

from django.urls import path

from clinic.attention import views

urlpatterns = [
    path("", views.needs_attention, name="attention"),
    path("<uuid:flag_id>/", views.flag_page, name="attention-flag"),
    path("<uuid:flag_id>/close/", views.close, name="attention-close"),
    path("<uuid:flag_id>/put-off/", views.put_off, name="attention-put-off"),
    path("<uuid:flag_id>/hand-on/", views.hand_on, name="attention-hand-on"),
    path("notices/<uuid:notice_id>/answer/", views.answer, name="notice-answer"),
]

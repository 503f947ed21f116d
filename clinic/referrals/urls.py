"""Addresses of the pages of referrals."""

from django.urls import path

from clinic.referrals import views

urlpatterns = [
    path("", views.referral_list, name="referrals"),
    path("new/", views.by_telephone, name="referral-new"),
    path("for/<uuid:patient_id>/", views.in_writing, name="referral-for"),
    path("upload/", views.upload, name="referral-upload"),
    path("imports/<uuid:import_id>/", views.import_page, name="referral-import"),
    path("imports/<uuid:import_id>/refused/", views.refused_rows, name="referral-refused"),
    path("<uuid:referral_id>/", views.referral_page, name="referral"),
    path("<uuid:referral_id>/correct/", views.correct, name="referral-correct"),
    path("<uuid:referral_id>/decide/", views.decide, name="referral-decide"),
]

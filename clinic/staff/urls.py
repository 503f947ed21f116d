"""Addresses of accounts and of the team."""

from django.urls import path

from clinic.staff import views, views_accounts

urlpatterns = [
    path("accounts/", views_accounts.account_list, name="accounts"),
    path("accounts/new/", views_accounts.new_account, name="account-new"),
    path("accounts/<int:person_id>/", views_accounts.account, name="account"),
    path("accounts/<int:person_id>/password/", views_accounts.password, name="account-password"),
    path("accounts/<int:person_id>/close/", views_accounts.close_account, name="account-close"),
    path("staff/", views.team, name="staff"),
    path("staff/<int:person_id>/shifts/", views.add_shifts, name="shifts"),
    path("staff/<int:person_id>/absent/", views.absent, name="absent"),
    path("staff/<int:person_id>/training/", views.training, name="training"),
    path("staff/shifts/<int:shift_id>/cancel/", views.cancel_shift, name="shift-cancel"),
    path("staff/absences/<int:absence_id>/end/", views.end_absence, name="absence-end"),
]

"""The addresses of the home pages, search, and what the app is for."""

from django.urls import path

from therapy.pages import policy_views, views

urlpatterns = [
    path("", views.home, name="home"),
    path("search/", views.search, name="search"),
    path("decisions/counts/", views.decision_counts, name="decision-counts"),
    path("about/", views.about, name="about"),
    path("about/hazards/", views.hazard_log, name="hazard-log"),
    path("about/rules/", views.rule_table, name="rule-table"),
    path("about/rules/<str:group>/", views.rule_table, name="rule-table-group"),
    path("about/in-force/", views.rules_in_force, name="rules-in-force"),
    path("policy/", policy_views.policy_list, name="policy"),
    path("policy/new/<slug:policy_kind>/", policy_views.policy_new, name="policy-new"),
    path("policy/<uuid:policy_id>/end/", policy_views.policy_end, name="policy-end"),
]

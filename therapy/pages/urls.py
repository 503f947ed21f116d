"""The addresses of the home pages, search, and what the app is for."""

from django.urls import path

from therapy.pages import views

urlpatterns = [
    path("", views.home, name="home"),
    path("search/", views.search, name="search"),
    path("about/", views.about, name="about"),
]

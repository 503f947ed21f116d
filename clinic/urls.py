"""Every address of the app, by part."""

from django.urls import URLPattern, URLResolver

# Each part that shows pages adds one include() line here; the parts stand in the order of the work.
urlpatterns: list[URLPattern | URLResolver] = []

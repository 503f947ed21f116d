"""The therapy app: its parts find each other here, once, when the app starts."""

from django.apps import AppConfig


class TherapyConfig(AppConfig):
    """One Django app; its parts are packages."""

    name = "therapy"

    def ready(self) -> None:
        from therapy.orders import followers
        from therapy.scheduling import window_services

        followers.follow(window_services.follow_order)

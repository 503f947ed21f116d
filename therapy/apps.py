"""The therapy app: its parts find each other here, once, when the app starts."""

from django.apps import AppConfig


class TherapyConfig(AppConfig):
    """One Django app; its parts are packages."""

    name = "therapy"

    def ready(self) -> None:
        from screening import ordered
        from therapy.orders import followers
        from therapy.orders import selectors as orders
        from therapy.scheduling import window_services

        followers.follow(window_services.follow_order)
        ordered.told_by(orders.techniques_ordered)

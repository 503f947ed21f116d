"""The therapy app: its parts find each other here, once, when the app starts."""

from django.apps import AppConfig


class TherapyConfig(AppConfig):
    """One Django app; its parts are packages."""

    name = "therapy"

    def ready(self) -> None:
        from clinic.patients import followers as patients
        from clinic.referrals import followers as referrals
        from screening import imported, moves, ordered
        from therapy.orders import followers
        from therapy.orders import selectors as orders
        from therapy.orders import services as order_services
        from therapy.scheduling import window_services

        patients.follow(order_services.follow_patient)
        patients.follow(window_services.follow_patient)
        patients.follow_moves(moves.follow_move)
        referrals.follow(imported.follow, keys=imported.keys)
        followers.follow(window_services.follow_order)
        ordered.told_by(orders.techniques_ordered)
        ordered.ends_told_by(orders.technique_ends)

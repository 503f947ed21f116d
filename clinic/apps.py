"""Makes the start-up checks known."""

from django.apps import AppConfig


class ClinicConfig(AppConfig):
    name = "clinic"

    def ready(self) -> None:
        from clinic import access  # noqa: F401 (registers its system check)

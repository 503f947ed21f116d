"""The settings of the app with the slow job of the operation tests beside its own."""

from clinic.settings import *  # noqa: F403 (a settings module is its names)
from clinic.settings import INSTALLED_APPS

INSTALLED_APPS = [*INSTALLED_APPS, "tests.operation.slow_app"]

"""The WSGI application that gunicorn serves."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
application = get_wsgi_application()

# After the set-up above: the web process rings the same broker as the worker listens to.
from clinic.celery import app as celery_app  # noqa: E402

__all__ = ["application", "celery_app"]

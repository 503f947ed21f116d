"""How gunicorn serves the app: `gunicorn --config python:clinic.web_server clinic.wsgi:application`."""

import os

from clinic.environment import SettingMissing
from clinic.settings import ENVIRONMENT, LOGGING


def _tls_file(name: str) -> str | None:
    path = os.environ.get(name, "").strip()
    if path and not os.access(path, os.R_OK):
        raise SettingMissing(f"{name} points to {path}, which cannot be read.")
    return path or None


# Demo and try-outs stay on this computer; a container or a server sets CLINIC_BIND=0.0.0.0.
bind = f"{os.environ.get('CLINIC_BIND', '127.0.0.1')}:{ENVIRONMENT.port}"
worker_class = "gthread"
workers = int(os.environ.get("CLINIC_WEB_PROCESSES", "1"))
threads = int(os.environ.get("CLINIC_WEB_THREADS", "8"))
timeout = 60
graceful_timeout = 10
keepalive = 5
max_requests = 5000
max_requests_jitter = 500
worker_tmp_dir = "/dev/shm" if os.path.isdir("/dev/shm") else None  # noqa: S108,PTH112 (gunicorn's own heartbeat file, kept off the disk)
control_socket_disable = True
# The app logs each request itself, by route; gunicorn's own line would hold what was searched for.
logconfig_dict = LOGGING | {
    "loggers": {
        "gunicorn.error": {"level": "INFO", "handlers": ["stderr"], "propagate": False},
        "gunicorn.access": {"level": "CRITICAL", "handlers": [], "propagate": False},
    }
}

certfile = _tls_file("CLINIC_TLS_CERT")
keyfile = _tls_file("CLINIC_TLS_KEY")
if bool(certfile) != bool(keyfile):
    raise SettingMissing("CLINIC_TLS_CERT and CLINIC_TLS_KEY belong together: set both, or neither.")

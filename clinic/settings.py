"""Django settings: everything that differs between installations comes through clinic/environment.py."""

from pathlib import Path
from typing import Any

import dj_database_url
import font_source_sans_pro
from csp.constants import NONE, SELF
from django.contrib.messages import constants as message_levels

from clinic import environment

BASE_DIR = Path(__file__).resolve().parent.parent
ENVIRONMENT = environment.from_process(BASE_DIR)
DATA_DIR = ENVIRONMENT.data_dir
DATA_DIR.mkdir(parents=True, exist_ok=True)

DEBUG = False
SECRET_KEY = ENVIRONMENT.secret_key
ALLOWED_HOSTS = list(ENVIRONMENT.allowed_hosts)
CSRF_TRUSTED_ORIGINS = list(ENVIRONMENT.trusted_origins)
CLINIC_NAME = ENVIRONMENT.clinic_name
TRAINING_DATA = ENVIRONMENT.training_data

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.forms",
    "django_htmx",
    "rest_framework",
    "csp",
    "clinic",
    "screening",
    "therapy",
]
MIDDLEWARE = [
    "clinic.middleware.RequestId",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
]
ROOT_URLCONF = "clinic.urls"
WSGI_APPLICATION = "clinic.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "clinic.context.frame",
            ],
            "builtins": ["clinic.templatetags.components"],
        },
    }
]
FORM_RENDERER = "django.forms.renderers.TemplatesSetting"


def _database(url: str) -> dict[str, Any]:
    parsed: dict[str, Any] = dict(dj_database_url.parse(url, conn_max_age=60, conn_health_checks=True))
    if parsed["ENGINE"].endswith("sqlite3"):
        parsed["CONN_MAX_AGE"] = 0
        parsed["OPTIONS"] = {
            "timeout": 20,
            "transaction_mode": "IMMEDIATE",
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;",
        }
        # A named test file lets a web thread and a worker process meet in tests that start both.
        Path(parsed["NAME"]).parent.mkdir(parents=True, exist_ok=True)
    return parsed


DATABASES = {"default": _database(ENVIRONMENT.database_url)}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "clinic.Person"
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign-in"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]

LANGUAGE_CODE = "en-gb"
USE_I18N = True
USE_TZ = True
TIME_ZONE = ENVIRONMENT.time_zone

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATICFILES_DIRS = [("fonts", Path(font_source_sans_pro.__file__).parent / "files")]
STATICFILES_FINDERS = ["clinic.staticfiles.UsedFolders", "clinic.staticfiles.UsedApps"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "clinic.staticfiles.HashedStorage"},
}
MEDIA_ROOT = DATA_DIR / "files"
FILE_UPLOAD_PERMISSIONS = 0o600
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024

# No inline script or style anywhere; htmx is told the same in the base template.
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:"],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}
X_FRAME_OPTIONS = "DENY"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_AGE = 12 * 3600
CSRF_COOKIE_SAMESITE = "Lax"
if ENVIRONMENT.tls:
    SECURE_SSL_REDIRECT = True
    SECURE_REDIRECT_EXEMPT = [r"^health/"]
    SECURE_HSTS_SECONDS = 31536000
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SESSION_COOKIE_SECURE = True
    CSRF_COOKIE_SECURE = True
    SESSION_COOKIE_NAME = "__Host-session"
    CSRF_COOKIE_NAME = "__Host-csrf"

MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"
MESSAGE_TAGS = {message_levels.ERROR: "stop", message_levels.WARNING: "look"}

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["rest_framework.authentication.SessionAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "filters": {"request_id": {"()": "clinic.logs.RequestIdFilter"}},
    "formatters": {
        "json": {
            "()": "clinic.logs.PlainJson",
            "fmt": "%(asctime)s %(levelname)s %(name)s %(message)s %(request_id)s",
        }
    },
    "handlers": {
        "stderr": {"class": "logging.StreamHandler", "formatter": "json", "filters": ["request_id"]}
    },
    "root": {"handlers": ["stderr"], "level": "INFO"},
    # The print engine tells each step, and warns of the media queries that are for screens only.
    "loggers": {"weasyprint": {"level": "ERROR"}, "fontTools": {"level": "ERROR"}},
}

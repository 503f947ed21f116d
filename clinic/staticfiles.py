"""Serves static files under names that hold a hash of their content, so that a browser may keep them for ever."""

from collections.abc import Iterable, Iterator
from fnmatch import fnmatch
from typing import Any

from django.contrib.staticfiles.finders import AppDirectoriesFinder, FileSystemFinder
from whitenoise.storage import CompressedManifestStaticFilesStorage

# What libraries bring and no page asks for; leaving it out makes the first start fast.
UNUSED = (
    "rest_framework/*",
    "django_htmx/ext/*",
    "django_htmx/htmax*",
    "django_htmx/htmx-4*",
    "fonts/*.ttf",
    "fonts/*.txt",
)

Found = tuple[str, Any]


def _used(found: Iterable[Found]) -> Iterator[Found]:
    for path, storage in found:
        whole = f"{storage.prefix}/{path}" if getattr(storage, "prefix", None) else path
        if not any(fnmatch(whole, pattern) for pattern in UNUSED):
            yield path, storage


class UsedFolders(FileSystemFinder):
    """The files of STATICFILES_DIRS that pages use."""

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterable[Any]:
        return _used(super().list(ignore_patterns))


class UsedApps(AppDirectoriesFinder):
    """The files of the installed apps that pages use."""

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterable[Any]:
        return _used(super().list(ignore_patterns))


class HashedStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # WhiteNoise has no types
    """Also rewrites the imports inside ES modules, so that a module never loads an older neighbour."""

    support_js_module_import_aggregation = True

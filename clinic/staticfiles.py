"""Serves static files under names that hold a hash of their content, so that a browser may keep them for ever."""

from collections.abc import Callable
from typing import Any

from whitenoise.storage import CompressedManifestStaticFilesStorage

# Libraries' own scripts import no module; a type in one of their comments looks like an import of a file.
LIBRARIES = ("django_htmx/", "rest_framework/")


class HashedStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # whitenoise ships no types
    """Also rewrites the imports inside our ES modules, so that a module never loads an older neighbour."""

    support_js_module_import_aggregation = True

    def url_converter(self, name: str, *args: Any, **kwargs: Any) -> Callable[[Any], str]:
        if name.startswith(LIBRARIES) and name.endswith(".js"):
            return lambda match: str(match["matched"])
        converter: Callable[[Any], str] = super().url_converter(name, *args, **kwargs)
        return converter

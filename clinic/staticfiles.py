"""Serves static files under names that hold a hash of their content, so that a browser may keep them for ever."""

from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedStorage(CompressedManifestStaticFilesStorage):
    """Also rewrites the imports inside ES modules, so that a module never loads an older neighbour."""

    support_js_module_import_aggregation = True

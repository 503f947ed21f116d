"""Static files keep a name made of their content, and modules ask for their neighbours by that name."""

import re
from pathlib import Path

from django.contrib.staticfiles.finders import get_finders

from clinic.staticfiles import HashedStorage


def test_a_module_imports_its_neighbour_by_the_name_that_holds_its_hash(tmp_path: Path) -> None:
    (tmp_path / "tablet.js").write_text('import { clock } from "./clock.js";\nclock();\n', encoding="utf-8")
    (tmp_path / "clock.js").write_text("export const clock = () => 0;\n", encoding="utf-8")
    storage = HashedStorage(location=str(tmp_path), base_url="/static/")
    paths = {name: (storage, name) for name in ("tablet.js", "clock.js")}
    hashed = {name: new for name, new, _ in storage.post_process(paths) if new}
    assert re.fullmatch(r"clock\.[0-9a-f]{12}\.js", hashed["clock.js"])
    written = (tmp_path / hashed["tablet.js"]).read_text(encoding="utf-8")
    assert f'from "./{hashed["clock.js"]}"' in written


def test_what_pages_ask_for_is_collected_and_what_no_page_asks_for_is_not() -> None:
    found = {
        f"{storage.prefix}/{path}" if getattr(storage, "prefix", "") else path
        for finder in get_finders()
        for path, storage in finder.list([])
    }
    assert {"clinic/tokens.css", "django_htmx/htmx-2.min.js", "fonts/SourceSansPro-Regular.otf"} <= found
    assert not [path for path in found if path.startswith(("rest_framework/", "django_htmx/ext/"))]

"""A concern's words lose the patient's name, and its page loses whatever could be a secret."""

from uuid import UUID

import pytest

from clinic.safety.rules import INSTEAD, address_without_secrets, without_names

ID = UUID("01999999-0000-7000-8000-000000000001")


@pytest.mark.parametrize(
    ("words", "kept"),
    [
        ("MOSSWATER was on the list twice", f"{INSTEAD} was on the list twice"),
        ("Bryn Mosswater, then mosswater's mother", f"{INSTEAD} {INSTEAD}, then {INSTEAD}'s mother"),
        ("the mosswaters came", "the mosswaters came"),
        ("nothing of the kind", "nothing of the kind"),
    ],
)
def test_a_name_is_taken_out_as_a_whole_word_however_it_is_written(words: str, kept: str) -> None:
    assert without_names(words, ["Mosswater", "Bryn", ""]) == kept


def test_a_longer_name_goes_before_a_shorter_one_that_it_holds() -> None:
    assert without_names("Anne-Marie fell", ["Anne", "Anne-Marie"]) == f"{INSTEAD} fell"


def test_an_address_keeps_ids_and_words_of_the_app_and_no_other_text() -> None:
    """OWASP ASVS 5.0, 14.2.1: nothing sensitive travels or stays in an address."""
    assert address_without_secrets("patients/<uuid:patient_id>/", {"patient_id": ID}) == f"/patients/{ID}/"
    assert (
        address_without_secrets("screening/<uuid:pk>/<str:technique>/", {"pk": ID, "technique": "pep"})
        == f"/screening/{ID}/pep/"
    )
    assert address_without_secrets("invite/<str:token>/", {"token": "aB3-secret"}) == "/invite/(token)/"
    assert address_without_secrets("", {}) == "/"

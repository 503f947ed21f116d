"""The table of tests/test_who_may_open_what.py: name of the address, then what each person gets by GET and POST."""

PEOPLE = ("lead", "therapist", "outsider", "manager", "administrator", "nobody")
TABLE: dict[str, tuple[str, str]] = {}

"""What a pure calculation raises when a figure cannot be computed from what it was given. No Django."""


class NotCalculable(ValueError):
    """A figure is refused, in words that name the field and what would be allowed.

    Args:
        field: JSON pointer to the value, such as ``/spo2_percent``.
        code: missing, unknown_field, wrong_type, out_of_range, not_applicable or inconsistent.
        message: one plain sentence.
        allowed: what would have been accepted, in words or as a range ``50..100``.
        got: the value as it came.
    """

    def __init__(
        self, field: str, code: str, message: str, *, allowed: str | None = None, got: object = None
    ) -> None:
        super().__init__(message)
        self.field = field
        self.code = code
        self.message = message
        self.allowed = allowed
        self.got = got

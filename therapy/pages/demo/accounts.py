"""The log-ins of the demo clinic: invented people, one phrase for all, for training data only."""

from dataclasses import dataclass

from clinic.staff.roles import Role

DEMO_PHRASE = "seven herons over still water"


@dataclass(frozen=True)
class DemoAccount:
    """One invented member of staff, and what the account is for."""

    username: str
    given_name: str
    family_name: str
    role: Role
    words: str
    profession: str = "therapist"
    licensed: bool = False

    @property
    def password(self) -> str:
        """The same invented phrase for every demo account."""
        return DEMO_PHRASE


DEMO_ACCOUNTS = (
    DemoAccount(
        "saltmarsh", "Mina", "Saltmarsh", Role.LEAD, "department lead; prescribes and decides", licensed=True
    ),
    DemoAccount(
        "quillfeather", "Rowan", "Quillfeather", Role.THERAPIST, "therapist with a round today", licensed=True
    ),
    DemoAccount("lindqvale", "Tove", "Lindqvale", Role.THERAPIST, "therapist on the acute ward", licensed=True),
    DemoAccount("otterby", "Arlo", "Otterby", Role.THERAPIST, "therapist on the home round"),
    DemoAccount("heron", "Sanne", "Heron", Role.THERAPIST, "therapist, off sick today", licensed=True),
    DemoAccount("thornapple", "Juno", "Thornapple", Role.THERAPIST, "therapist on the late shift"),
    DemoAccount(
        "wrenfield", "Pip", "Wrenfield", Role.THERAPIST, "therapist in training: records are signed",
        profession="student",
    ),
    DemoAccount(
        "fennimore", "Dara", "Fennimore", Role.MANAGER, "manager: figures, patients by number", profession="other"
    ),
    DemoAccount(
        "kestrelby", "Ash", "Kestrelby", Role.ADMINISTRATOR, "administrator: accounts and settings",
        profession="other",
    ),
)  # fmt: skip

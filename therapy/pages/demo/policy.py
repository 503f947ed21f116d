"""One local rule of the demo: a threshold that counts earlier, as a clinic might set it."""

from datetime import timedelta

from django.utils import timezone

from screening.policy import services
from screening.policy.rules import ThresholdRule
from therapy.pages.demo.scene import Scene

REVIEW_AFTER = timedelta(days=180)


def tell(scene: Scene) -> None:
    """Set the rule through the service, in force from the moment of loading."""
    services.set_rule(
        by=scene.service.lead,
        rule=ThresholdRule(
            condition="icp_above_20",
            number="icp_mmhg",
            value=15,
            reason="Invented, for training: the surgeons of this clinic want to be asked earlier",
        ),
        review_on=timezone.localdate() + REVIEW_AFTER,
    )

"""From the unrolled sheet back to the tube: whole fibres and walls, windings, radii."""

from volscan.tube.measure import TubeMeasures, measure_tube
from volscan.tube.rolled import Rolled, roll_up

__all__ = ["Rolled", "TubeMeasures", "measure_tube", "roll_up"]

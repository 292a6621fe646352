"""The layer shift for the next print."""

from volscan.shift.advise import advise_shift
from volscan.shift.plan import Advice, ShiftPlan, SystematicLean

__all__ = ["Advice", "ShiftPlan", "SystematicLean", "advise_shift"]

from .battery_channel import BatteryBeside, battery_beside, battery_cautions, with_battery
from .battery_voltage import as_current, health_of_voltage, is_battery_voltage, widened
from .cautions import FEW_CYCLES, cranking_cautions, slow, trace_cautions
from .health import mean_current, read_health, ripple_percent
from .hints import misfire_notices
from .patterns import find_pattern, one_far_above
from .verdict import Odds, Thresholds, judge, near_limit

__all__ = [
    "BatteryBeside", "FEW_CYCLES", "Odds", "Thresholds", "as_current", "battery_beside", "battery_cautions",
    "cranking_cautions", "find_pattern", "health_of_voltage", "is_battery_voltage", "judge", "mean_current",
    "misfire_notices", "near_limit", "one_far_above", "read_health", "ripple_percent", "slow", "trace_cautions",
    "widened", "with_battery",
]

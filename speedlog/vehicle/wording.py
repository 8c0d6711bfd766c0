"""Sentences of the car: why something can't be told, and what to make of it. Plain and short."""

from __future__ import annotations

NO_TRACE = "There is no estimate of this pass to lay the controller's log beside."
NO_CONTROLLER = "No speed controller's log was kept of this pass."
NO_CURRENT = "No current was logged."
NO_VOLTAGE = "No voltage was logged."
NO_TURNS = "No motor turns were logged."
NO_MOTOR_TEMP = "No motor temperature was logged, and none measured by hand after the pass."
HOLES = "The current is missing for {missing:.1f} s of the {powered:.1f} s under power."
NO_LIMIT = "No limit of the {what} was entered."
LIMITED = {
    "over_current_limit_s": "current", "over_motor_limit_s": "motor's temperature",
    "over_controller_limit_s": "controller's temperature", "over_limit_s": "tyre",
}  # fmt: skip
NO_CHARGE = "The charge put back was not noted, so the current is as true as such loggers are."
NO_BEFORE = "There is no earlier pass with a current log."
NO_SAME = "No earlier pass with this set-up has a current log."
NOT_PACK_CURRENT = "The logged current is the motor's, and the pack's is not known from it."
NO_CAPACITY = "The pack's capacity was not entered."
NO_REST = "The pack's voltage at rest was not noted."
NO_CELLS = "The number of cells was not entered."
LITTLE_SPREAD = "The current hardly changed, so the voltage does not show the resistance."
FEW_ROWS = "Too few rows hold both voltage and current."
NO_RESISTANCE = "The voltage did not fall with the current, so the log does not show the resistance."
NO_DIAMETER = "The wheel's diameter was not entered."
WRONG_DIAMETER = (
    "The wheel rolls like one of {rolls:.0f} mm, not of the {said:.0f} mm entered: check diameter, gear ratio and "
    "pole pairs. Growth is reckoned from what it rolls like at a crawl."
)
NO_GNSS_BESIDE = "No GNSS speed lies beside the turns: they would be measured by themselves."
NOT_APART = (
    "The log does not both drive and coast at like speeds, so growth and slip show only together: "
    "growth less slip."
)
APART = "Growth and slip are told apart, so their sum is not given."
NO_MEASURE_TYRE = "The tyre was not measured before and after."
LITTLE_RISE = "The motor warmed by only {rise:.0f} °C in the log: too little to show how it heats and cools."
NO_HEATING = "Nothing that heats the motor was logged while it warmed."
SHORT_COOLING = "The log ends too soon after the heat to show how the motor cools."
NO_MOTOR_CURRENT = (
    "The motor's own current is not known: neither logged, nor to be had from the pack's without Kv."
)
HAND_ONLY = "Only the temperatures by hand are known."
NO_START_HAND = "The temperature before the pass was not noted."
NO_LAUNCH = "The log begins with the car under way."
NO_RAMP = "The pull was full at once, as far as the logs show it."
NO_WIND = "No wind was noted."
NO_AIR = "Neither temperature nor pressure (or elevation) was noted."
NO_SPEED = "There is no speed of this pass to correct."
NO_SIGNAL = "No logger wrote signal strength, satellites or HDOP."
FEW_BLOCKS = "Too little of it was logged under power and without to tell chance from cause."
ONE_PASS = "With one pass on a side there is no scatter to judge by."
NOBODY = "There is no pass on one of the sides."

FIX_STRONG = (
    "Reception got worse when the motor drew current ({what}; by chance alone once in {once:,} times)."
)
FIX_SOME = (
    "Reception may have got worse when the motor drew current ({what}; by chance alone once in {once:,} times): "
    "log more passes to be sure."
)
FIX_NONE = "Reception does not go with motor current as far as the logs can tell ({passes})."
SIGNALS = {
    "cn0_dbhz": "{size:.1f} dB-Hz weaker for 100 A",
    "satellites": "{size:.1f} satellites fewer for 100 A",
    "hdop": "HDOP {size:.2f} higher for 100 A",
}
TRY_NEXT = (
    "What people usually try: the antenna further from motor, controller and their wires, with the sky clear above it.",
    "Power wires short and twisted together, away from the logger's own leads.",
    "A ground plane (foil or thin sheet) under the antenna, and a shield round the controller, as far as heat allows.",
)  # common practice, no source


def no_limit(figure: str) -> str:
    """Why a time over a limit can't be told: its limit was not entered."""
    return NO_LIMIT.format(what=LIMITED[figure])


def whole(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


EFFECT_CLEAR = "The change shows above the scatter from pass to pass."
EFFECT_UNCLEAR = "The change does not show above the scatter from pass to pass."


def few_passes(before: int, after: int, least: float | None) -> str:
    """What so few passes can't say."""
    counts = f"{whole(before, 'pass', 'passes')} before and {after} after"
    if least is None:
        return f"{counts}: with one pass on a side there is no scatter to judge the change by."
    return (
        f"{counts} are few: dealt out at random they would look as good as this at least {100 * least:.0f} times in "
        "100, whatever the figures."
    )

"""For each quantity that a log cannot tell: the log that would settle it, one sentence each."""

from __future__ import annotations

SETTLE: dict[str, str] = {
    "loom": "Mend the sense loom, prove every tap with a meter, then log again.",
    "resistance_10s": "Drive for 20 minutes with strong pulls and regeneration, logged once a second or faster, "
    "voltages and current read together; or load it in pulses of half a minute from rest, at half the capacity per "
    "hour or more.",
    "resistance_10s_relative": "Drive for 20 minutes with strong pulls and regeneration, logged once a second or "
    "faster.",
    "soc_offset": "Charge to the knee (above 97 %) with taper and rest for 30 minutes, or log a rest below about 10 %.",
    "capacity_relative": "Log one charge from below 30 % to the knee without a break, with 30 minutes of rest before "
    "and after.",
    "capacity": "Log one charge over at least 40 % of the capacity to the knee, with an hour of rest at both ends, the "
    "current sensor checked against a reference shunt.",
    "charge_to_full": "Log a charge to the knee with taper and 30 minutes of rest.",
    "bleed_needed": "Log a charge to the knee with taper and 30 minutes of rest.",
    "balancing_time": "Log a charge to the knee with taper and 30 minutes of rest, and give bleed_resistor_ohm in the "
    "pack file.",
    "bleed_done": "Log the bleed flags of every cell, and give bleed_resistor_ohm in the pack file.",
    "bleed_duty": "Log the bleed flags of every cell.",
    "leak_current_relative": "Park for three days or more with a reading every hour, bleeding off (LFP: compare the "
    "charge to full at two full charges some weeks apart).",
    "heating": "Drive for 40 minutes or more at an rms current above half the capacity per hour, from a soak.",
    "resistance_outside_taps": "Log the pack voltage beside all cells during a drive.",
    "current_zero": "Log ten minutes at rest with the contactors open.",
    "current_lag": "Drive for ten minutes with sharp pulls, logged once a second or faster.",
    "usable_charge": "Log one charge from below 30 % to the knee without a break, with rests at both ends.",
    "gain_by_balancing": "Log one charge from below 30 % to the knee without a break, with rests at both ends.",
    "gain_by_replacing": "Log one charge from below 30 % to the knee without a break, with rests at both ends.",
}

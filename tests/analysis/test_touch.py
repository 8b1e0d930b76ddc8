"""The touch test of a loom speaks of this pack's own sensors and cells."""

from bmslogs.analysis.touch import touch_test
from bmslogs.base.pack import Pack, TemperatureSensor


def test_the_touch_test_names_this_packs_sensors_and_cells() -> None:
    def steps(**more: object) -> tuple[str, ...]:
        return touch_test(
            Pack(
                id="wren",
                vehicle="Wren",
                chemistry="NMC",
                nominal_capacity_Ah=50.0,
                cells_in_series=14,
                **more,
            )
        )

    named = steps(
        temperature_sensors=(TemperatureSensor(name="T1", cells=[1]), TemperatureSensor(name="T7", cells=[9]))
    )
    assert "(T1, T7)" in named[1] and "1 to 14" in named[2]
    assert "each sensor in turn" in steps()[1]
    assert "live" in named[0] and named[-1].endswith(
        "the meter proves."
    )  # nobody is told to touch a tap first

"""For every quantity that may not be told there is a log that would tell it."""

from bmslogs.analysis.settle import SETTLE

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.analysis.touch import touch_test
from bmslogs.base.pack import Pack, TemperatureSensor


def test_every_quantity_says_what_would_settle_it_and_nothing_else_does() -> None:
    assert set(SETTLE) == set(QUANTITIES) | {"loom"}
    for sentence in SETTLE.values():
        assert sentence[0].isupper() and sentence.endswith(".") and "\n" not in sentence


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

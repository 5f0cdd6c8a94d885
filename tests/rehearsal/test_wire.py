"""What a simulated scale writes is what the scale's driver reads, also where there is no number."""

import pytest

from drivers.balance import frame_of
from drivers.reading import Quality, Reading
from monitor.rehearsal.gauges import INSTRUMENTS, Spoken
from monitor.rehearsal.wire import line_of

SCALES = [instrument for instrument in INSTRUMENTS if instrument.driver == "balance"]


@pytest.mark.parametrize("instrument", SCALES, ids=lambda instrument: instrument.key)
@pytest.mark.parametrize(
    ("value", "quality"),
    [
        (663.95, Quality.GOOD),
        (-0.25, Quality.GOOD),
        (0.0, Quality.GOOD),
        (None, Quality.OUT_OF_RANGE),
    ],
)
def test_a_mass_that_is_missing_is_an_overload_and_no_zero(instrument, value, quality):
    said = Reading(instrument.gauges[0].name, value, quality)
    frame = frame_of(line_of(Spoken(instrument, (said,))).strip())

    assert frame is not None
    assert frame.number == value
    assert frame.quality is quality

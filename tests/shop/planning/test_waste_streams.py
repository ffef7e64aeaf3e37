"""Streams of old fluid are kept apart."""

from itertools import permutations

import pytest

from shop.planning.waste_streams import STREAM_NAMES, STREAMS, refusal_to_mix, stream_of


@pytest.mark.parametrize(("poured", "container"), list(permutations(STREAM_NAMES, 2)))
def test_no_stream_goes_into_another_ones_container(poured, container):
    refusal = refusal_to_mix(poured, container)
    assert refusal is not None
    assert poured in refusal
    assert stream_of(container).keep_apart in refusal


@pytest.mark.parametrize("stream", STREAM_NAMES)
def test_its_own_container_takes_it(stream):
    assert refusal_to_mix(stream, stream) is None


def test_the_codes_offered_are_entries_of_the_list_of_wastes():
    # Commission Decision 2000/532/EC, chapters 13 and 15 02, 16 01 (from memory): all of these are starred there.
    codes = {code.code for stream in STREAMS for code in stream.codes}
    assert codes == {
        "13 01 10*", "13 01 11*", "13 01 12*", "13 01 13*", "13 02 05*", "13 02 06*", "13 02 08*",
        "15 02 02*", "16 01 07*", "16 01 13*", "16 01 14*",
    }  # fmt: skip

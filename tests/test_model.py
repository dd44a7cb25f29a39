"""The text of a learned key: it survives the round trip, refuses anything hostile, and old texts load for ever."""

from __future__ import annotations

import base64
import json
import math
import pickle
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels.qualify import GRID
from inkarnat.nodes import CorrectSkin, ParamError, SkinKey
from inkarnat.nodes.model import ModelError, SkinModel, read_model

FIXTURES = Path(__file__).parent / "fixtures"
STORED = sorted(FIXTURES.glob("skin_model-*.txt"))

# The layout of format 1, written down once more: two numbers of the centre, ten of the compact form, the corners
# of the used part of the table, then its bytes; deflated, in base64, after the number of the format.
HEAD = struct.Struct("<2d10d6B")
CENTRE, COMPACT = (-0.12, 0.17), (1.05, 0.01, 0.45, 0.16, 0.01, -0.02, 0.04, 0.005, 0.12, 3.0)


def text_of(centre=CENTRE, compact=COMPACT, low=(0, 0, 0), high=(0, 0, 0), body=b""):
    packed = zlib.compress(HEAD.pack(*centre, *compact, *low, *high) + body)
    return "1." + base64.b64encode(packed).decode("ascii")


def learned(seed=1):
    random = np.random.default_rng(seed)
    table = np.zeros(GRID, np.float32)
    table[12:30, 20:31, 3:19] = random.random((18, 11, 16))
    table[12, 20, 3] = table[29, 30, 18] = 1  # the corners of the used part
    return SkinModel(CENTRE, np.array(COMPACT), table)


def refused(text):
    """Assert that a key takes the text for what it is: a parameter that cannot be read, with the fix."""
    for node in (SkinKey, CorrectSkin):
        with pytest.raises(ParamError, match=r"model cannot be read\..*learn it again from samples") as caught:
            node(model=text)
        assert len(str(caught.value)) < 300, "the text itself stays out of the message"


# --- round trip ---------------------------------------------------------------------------------------------


def test_a_table_survives_at_eight_bits():
    model = learned()
    back = read_model(model.to_text())
    assert back.centre == model.centre
    assert np.array_equal(back.compact, model.compact)
    np.testing.assert_allclose(back.table, model.table, atol=0.5 / 255 + 1e-7)
    assert back.to_text() == model.to_text(), "what has been written once stays as it is"
    assert back.middle == COMPACT[2]


@given(
    st.tuples(*[st.floats(-3, 3)] * 2).filter(lambda c: math.hypot(*c) > 0.01),
    st.lists(st.floats(0.01, 2), min_size=3, max_size=3),
    st.integers(0, 2**32 - 1),
)
def test_any_model_survives(centre, deviations, seed):
    random = np.random.default_rng(seed)
    low = random.integers(0, GRID)
    high = random.integers(low, np.array(GRID)) + 1
    table = np.zeros(GRID, np.float32)
    place = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    table[place] = random.integers(0, 256, tuple(high - low)) / np.float32(255)
    a, t, y = (d * d for d in deviations)
    model = SkinModel(centre, np.array([1.0, 0.0, 0.5, a, 0, 0, t, 0, y, 5.0]), table)
    back = read_model(model.to_text())
    assert back.centre == centre
    assert np.array_equal(back.compact, model.compact)
    assert np.array_equal(table if back.table is None else back.table, table)


def test_a_model_without_a_table_stays_without():
    model = SkinModel(CENTRE, np.array(COMPACT))
    back = read_model(model.to_text())
    assert back.table is None
    picture = np.random.default_rng(3).random((9, 12, 3)).astype(np.float32)
    mattes = [SkinKey(model=model.to_text(), form=form).process(picture) for form in ("table", "compact")]
    assert np.array_equal(*mattes), "without a table the compact form stands in"


def test_the_layout_is_the_one_written_down():
    """Another program that follows the layout writes texts that load."""
    body = bytes(range(24))
    model = read_model(text_of(low=(3, 5, 7), high=(5, 8, 11), body=body))
    assert model.table is not None
    expected = np.arange(24).reshape(2, 3, 4) / 255
    np.testing.assert_allclose(model.table[3:5, 5:8, 7:11], expected, atol=1e-7)
    assert model.table.sum() == pytest.approx(expected.sum(), abs=1e-5)
    assert model.centre == CENTRE


def test_a_table_that_was_read_cannot_be_changed():
    table = read_model(learned().to_text()).table
    assert table is not None
    with pytest.raises(ValueError, match="read-only"):
        table[0, 0, 0] = 1


def test_the_text_is_small_and_plain():
    text = learned().to_text()
    assert text.isascii()
    assert len(text) < 12000
    assert json.loads(json.dumps(text)) == text


# --- as a parameter -----------------------------------------------------------------------------------------


def test_keys_with_one_model_are_one_value():
    first, second = SkinKey(model=learned().to_text()), SkinKey(model=learned().to_text())
    assert first == second
    assert hash(first) == hash(second)
    assert first != SkinKey(model=learned(2).to_text())
    assert first != SkinKey()
    assert pickle.loads(pickle.dumps(first)) == first
    assert SkinKey.from_config(json.loads(json.dumps(first.config()))) == first


def test_the_model_stays_out_of_repr():
    key = SkinKey(model=learned().to_text())
    assert key.model not in repr(key)
    assert len(repr(key)) < 300


# --- hostile text -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "model", "2." + text_of()[2:], "1.", "1", ".", " " + text_of(), text_of() + "\n", "1.=", "1.====", "1.é",
        "1.\ud800", "1.\x00", "1." + "A" * 1000, "1." + "A" * 500_000, text_of().replace("1.", "1,"),
        "1." + base64.b64encode(b"not deflated").decode(), "1." + base64.b64encode(zlib.compress(b"")).decode(),
    ],
    ids=repr,
)  # fmt: skip
def test_what_is_not_a_model_is_refused(text):
    refused(text)


@pytest.mark.parametrize("text", [text_of(), learned().to_text()], ids=["compact", "table"])
def test_truncated_text_is_refused(text):
    for length in {2, 3, 10, len(text) // 2, len(text) - 5, len(text) - 4, len(text) - 1}:
        refused(text[:length])


def test_more_after_the_end_is_refused():
    packed = base64.b64decode(text_of()[2:])
    refused("1." + base64.b64encode(packed + b"more").decode())
    refused(text_of(body=b"\1"))


def test_an_inflating_text_is_refused_without_unpacking_it():
    """300 MB of zeros behind 400 kB of text: nothing near that is ever held."""
    engine = zlib.compressobj(9)
    packed = b"".join(engine.compress(bytes(1 << 20)) for _ in range(280)) + engine.flush()
    text = "1." + base64.b64encode(packed).decode()
    assert len(text) < 400_000, "it has to pass the limit on length to be a test of unpacking"
    import tracemalloc

    tracemalloc.start()
    refused(text)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 5e6


@pytest.mark.parametrize(
    ("low", "high", "body"),
    [
        ((0, 0, 0), (1, 1, 1), b""),
        ((0, 0, 0), (2, 2, 2), b"\1" * 7),
        ((5, 5, 5), (4, 6, 6), b"\1"),
        ((5, 5, 5), (4, 4, 6), b"\1"),
        ((0, 0, 0), (49, 1, 1), b"\1" * 49),
        ((0, 0, 24), (1, 1, 25), b"\1"),
        ((255, 255, 255), (255, 255, 255), b""),
        ((0, 0, 0), (255, 255, 255), b"\1"),
    ],
)
def test_a_table_of_the_wrong_size_is_refused(low, high, body):
    refused(text_of(low=low, high=high, body=body))


@pytest.mark.parametrize(
    "compact",
    [
        (1, 0, 0.5, -0.1, 0, 0, 0.1, 0, 0.1, 3),  # a variance below 0
        (1, 0, 0.5, 0.1, 0.2, 0, 0.1, 0, 0.1, 3),  # a correlation of 2
        (1, 0, 0.5, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 3),  # of rank one
        (1, 0, 0.5, 0, 0, 0, 0, 0, 0, 3),
        (1, 0, 0.5, 0.1, 0, 0, 0.1, 0, 0.1, 0),
        (1, 0, 0.5, 0.1, 0, 0, 0.1, 0, 0.1, -3),
        (1, 0, 0.5, 1e308, 1e308, 1e308, 1e308, 1e308, 1e308, 3),
        (1e300, 0, 0.5, 0.1, 0, 0, 0.1, 0, 0.1, 3),
        *[tuple(math.nan if i == k else v for k, v in enumerate(COMPACT)) for i in range(10)],
        *[tuple(-math.inf if i == k else v for k, v in enumerate(COMPACT)) for i in range(10)],
    ],
)
def test_what_is_no_bell_is_refused(compact):
    refused(text_of(compact=compact))


@pytest.mark.parametrize("centre", [(0, 0), (math.nan, 0.1), (0.1, math.inf), (1e200, 1e200), (-100, 0)])
def test_an_impossible_centre_is_refused(centre):
    refused(text_of(centre=centre))


def _loads_or_is_refused(text):
    """Any text either makes a key that runs or is refused by ParamError; nothing else is ever raised."""
    try:
        key = SkinKey(model=text)
    except ParamError:
        with pytest.raises(ModelError):
            read_model(text)
        return
    for form in ("table", "compact"):
        matte = SkinKey(model=text, form=form).process(PICTURE)
        assert np.isfinite(matte).all()
        assert matte.min() >= 0
        assert matte.max() <= 1
    assert key.learned.compact.shape == (10,)


PICTURE = np.random.default_rng(5).random((6, 7, 3)).astype(np.float32)
TEXT, TABLE_TEXT = text_of(), text_of(low=(10, 20, 5), high=(14, 24, 9), body=bytes(range(0, 256, 4)))


@given(st.text(max_size=60))
def test_any_words_are_refused(words):
    for text in (words, "1." + words):
        if text:
            _loads_or_is_refused(text)


@given(st.binary(max_size=200))
def test_any_bytes_are_refused_or_load(data):
    for packed in (data, zlib.compress(data)):
        _loads_or_is_refused("1." + base64.b64encode(packed).decode())


@given(st.sampled_from([TEXT, TABLE_TEXT]), st.data())
def test_text_with_a_changed_letter(text, data):
    place = data.draw(st.integers(0, len(text) - 1))
    letter = data.draw(st.characters(max_codepoint=0x2FF))
    _loads_or_is_refused(text[:place] + letter + text[place + 1 :])


@given(st.sampled_from([TEXT, TABLE_TEXT]), st.data())
def test_packed_bytes_with_a_flipped_bit(text, data):
    content = bytearray(zlib.decompress(base64.b64decode(text[2:])))
    for _ in range(data.draw(st.integers(1, 3))):
        content[data.draw(st.integers(0, len(content) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    _loads_or_is_refused("1." + base64.b64encode(zlib.compress(bytes(content))).decode())


@given(
    st.lists(st.floats(allow_nan=True, allow_infinity=True), min_size=12, max_size=12),
    st.lists(st.integers(0, 255), min_size=6, max_size=6),
    st.binary(max_size=64),
)
def test_any_numbers_in_the_right_layout(numbers, corners, body):
    _loads_or_is_refused(text_of(numbers[:2], numbers[2:], corners[:3], corners[3:], body))


# --- old models ---------------------------------------------------------------------------------------------


def test_there_is_a_stored_model():
    assert STORED, "tests/fixtures/skin_model-1.txt is kept for ever"


@pytest.mark.parametrize("path", STORED, ids=lambda path: path.stem)
@pytest.mark.parametrize("form", ["table", "compact"])
def test_old_models_give_the_mattes_they_gave(path, form):
    """The text and the mattes were stored by fixtures/store_skin_model.py when the format was new."""
    stored = np.load(path.with_suffix(".npz"))
    key = SkinKey(model=path.read_text(encoding="ascii"), form=form)
    np.testing.assert_allclose(key.process(stored["plate"]), stored[form], atol=1e-5)
    assert key.learned.to_text() == key.model

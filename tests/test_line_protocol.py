"""The line protocol: what is a header, a row, a remark, and what becomes of everything else."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.base import LogFormatError
from labkit.runs.live.line_protocol import LineDecoder, checksum, parse_header, scaled_signals

HEADER = "seq [mod 65536],t [us],ax [3.9 mg],ay [3.9 mg],trigger"


def decoded(data, **how):
    decoder = LineDecoder(source="sensor", **how)
    batches = decoder.feed(data)
    rows = [batch.rows for batch in batches if len(batch.rows)]
    return decoder, np.concatenate(rows) if rows else np.empty((0, 0)), [f for b in batches for f in b.faults]


def closed(text):
    return f"{text}*{checksum(text.encode()):02X}\n".encode()


@pytest.mark.parametrize(
    ("sentence", "digits", "source"),
    [
        (
            "GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,",
            "76",
            "example sentence of a satellite receiver, as printed in many manuals; from memory",
        ),
        ("GPGLL,5300.97914,N,00259.98174,E,125926,A", "28", "example sentence of a receiver; from memory"),
        ("", "00", "definition"),
        ("A", "41", "ASCII"),
    ],
)
def test_checksum_is_the_one_of_instrument_sentences(sentence, digits, source):
    assert f"{checksum(sentence.encode()):02X}" == digits, source


def test_a_header_says_what_the_columns_are():
    header = parse_header(HEADER, source="sensor")
    assert (header.seq, header.seq_modulus, header.time, header.tick_s) == (0, 65536, 1, pytest.approx(1e-6))
    assert header.titles == ("ax [mg]", "ay [mg]", "trigger [trigger]") and header.trigger == 2
    assert scaled_signals(np.array([[1.0, 2.0, 10.0, -10.0, 1.0]]), header=header).tolist() == [[39.0, -39.0, 1.0]]


@pytest.mark.parametrize(
    "line",
    ["seq,ax,ay", "seq,ax [furlong]", "seq,t [us]", "ax [mg],ax [g]", "seq,ax [mg],", "ax [mg];ay [mg]", "seq,ax [5]"],
)
def test_a_header_that_leaves_something_open_is_refused(line):
    with pytest.raises(LogFormatError, match="each signal with a known unit"):
        parse_header(line, source="sensor")


def test_rows_survive_everything_between_them():
    data = b"".join(
        [
            b"boot v1.2\r\n",
            b"# rate_hz: 1600\r\n",
            HEADER.encode() + b"\r\n",
            b"0,0,1,2,0\r\n",
            b"\xff\xfe\x00garbage\n",
            b"1,625,1,2\n",
            b"2,1250,1,two,0\n",
            b"3,1875,1,nan,0\n",
            b"4,2500,1_0,2,0\n",
            b"5.5,3125,1,2,0\n",
            b"\n",
            b"6,3750,-1,2,1\n",
            HEADER.encode() + b"\n",
            b"7,4375,-1,2,1\n",
        ]
    )
    decoder, rows, faults = decoded(data)
    assert rows[:, 0].tolist() == [0, 6, 7]
    assert decoder.rate_hz == 1600
    assert [f.kind for f in faults] == ["garbage", "garbage", "columns", *["not a number"] * 4]
    assert faults[1].found == "\\xff\\xfe\x00garbage"


@pytest.mark.parametrize("bit", range(8))
def test_one_flipped_bit_anywhere_is_seen(bit):
    head = closed("seq,ax [mg]")
    for position in range(len(b"12,-345")):
        line = bytearray(closed("12,-345"))
        line[position] ^= 1 << bit
        if line[position] in b"\n#":  # the line ends or becomes a remark: then no row comes of it either
            assert len(decoded(head + bytes(line))[1]) == 0
            continue
        _, rows, faults = decoded(head + bytes(line))
        assert len(rows) == 0 and len(faults) == 1, line


def test_rows_without_checksum_are_refused_where_the_header_has_one():
    _, rows, faults = decoded(closed("seq,ax [mg]") + b"1,2\n" + closed("2,2"))
    assert rows.tolist() == [[2, 2]] and [f.kind for f in faults] == ["checksum"]


def test_joining_in_the_middle_of_a_line_takes_no_half_row_for_a_whole_one():
    decoder = LineDecoder(source="sensor", header="ax [mg],ay [mg]")
    decoder.joined()
    batches = decoder.feed(b"23,4\n124,5\n")
    assert [batch.rows.tolist() for batch in batches] == [[[124, 5]]] and not batches[0].faults


def test_a_changed_header_begins_a_new_batch():
    decoder = LineDecoder(source="sensor")
    batches = decoder.feed(b"seq,ax [mg]\n1,2\nseq,ax [mg]\n2,2\nseq,ax [mg],ay [mg]\n3,4,5\n")
    assert [(b.header.line if b.header else None, b.rows.tolist()) for b in batches] == [
        ("seq,ax [mg]", []),
        (None, [[1, 2], [2, 2]]),
        ("seq,ax [mg],ay [mg]", []),
        (None, [[3, 4, 5]]),
    ]


def test_a_header_that_is_stated_goes_before_the_one_that_is_sent():
    decoder, rows, _ = decoded(b"x,y\n1,2\nbx [g],by [g]\n", header="ax [mg],ay [mg]")
    assert rows.tolist() == [[1, 2]] and decoder.header.titles == ("ax [mg]", "ay [mg]")


def test_a_line_without_end_does_not_fill_the_memory():
    decoder = LineDecoder(source="sensor", header="ax [mg]")
    faults = [f for _ in range(300) for b in decoder.feed(b"7" * 1000) for f in b.faults]
    assert {f.kind for f in faults} == {"too long"}
    assert len(decoder._rest) <= 1024
    assert decoder.feed(b"7\n5\n")[0].rows.tolist() == [[5]]


def test_rows_before_any_header_are_counted_and_a_refused_header_is_kept_for_the_message():
    decoder, _, faults = decoded(b"1,2\n3,4\nax [furlong],ay [mg]\n")
    assert decoder.rows_without_header == 2 and decoder.header is None and len(faults) == 1
    assert "furlong" in str(decoder.refused_header)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=12), st.integers(0, 50))
def test_any_bytes_in_any_pieces_give_rows_of_the_header_or_faults(junk, cut):
    """Pieces do not matter, and nothing but rows of finite numbers of the right width comes out."""
    head = closed("seq,ax [mg],ay [mg]")
    stream = head + b"\n".join(junk) + b"\n" + closed("7,8,9")
    whole = decoded(stream)
    decoder = LineDecoder(source="sensor")
    batches = [b for i in range(0, len(stream), cut + 1) for b in decoder.feed(stream[i : i + cut + 1])]
    rows = [row.tolist() for b in batches for row in b.rows]
    assert rows == whole[1].tolist() and rows[-1] == [7, 8, 9]
    assert all(len(row) == 3 and np.isfinite(row).all() for row in rows)
    assert sum(len(b.faults) for b in batches) == len(whole[2])

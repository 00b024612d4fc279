"""Canonical JSON against the vectors that RFC 8785 prints (JSON Canonicalization Scheme, June 2020).

Section 3.2.2 (serialization of primitives), section 3.2.3 (sorting of names), Appendix B (numbers).
"""

from __future__ import annotations

import json
import struct

import pytest

from ebbmark.fhir.writing.identity import NotCanonical, canonical_bytes

# Appendix B: IEEE 754 bits, JSON text.
APPENDIX_B = (
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
)
APPENDIX_B_REFUSED = ("7fffffffffffffff", "7ff0000000000000")


def double(bits: str) -> float:
    number: float = struct.unpack(">d", bytes.fromhex(bits))[0]
    return number


@pytest.mark.parametrize(("bits", "text"), APPENDIX_B)
def test_numbers_are_spelled_as_appendix_b_prints_them(bits: str, text: str) -> None:
    assert canonical_bytes(double(bits)) == text.encode()


@pytest.mark.parametrize("bits", APPENDIX_B_REFUSED)
def test_what_appendix_b_calls_invalid_is_refused(bits: str) -> None:
    with pytest.raises(NotCanonical):
        canonical_bytes(double(bits))


def test_the_sample_object_of_section_3_2_2_comes_out_as_printed() -> None:
    sample = json.loads(
        r"""{
          "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
          "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
          "literals": [null, true, false]
        }"""
    )

    text = canonical_bytes(sample)

    assert text.decode() == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        r'"string":"€$\u000f\nA' + "'" + r'B\"\\\\\"/"}'
    )


def test_names_are_sorted_as_section_3_2_3_prints_them() -> None:
    sample = json.loads(
        r"""{
          "\u20ac": "Euro Sign",
          "\r": "Carriage Return",
          "\ufb33": "Hebrew Letter Dalet With Dagesh",
          "1": "One",
          "\ud83d\ude00": "Emoji: Grinning Face",
          "\u0080": "Control",
          "\u00f6": "Latin Small Letter O With Diaeresis"
        }"""
    )

    names = list(json.loads(canonical_bytes(sample)).values())

    assert names == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]

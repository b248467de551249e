"""Encodings for the tests of the core."""

from lightstack.records import Encoding


def make_encoding(**changes):
    """A 10-bit BT.709 limited-range 4:2:0 encoding, changed as asked."""
    usual = {
        "matrix": "bt709",
        "range": "limited",
        "bit_depth": 10,
        "chroma": "420",
        "chroma_location": "left",
        "transfer": "bt709",
        "primaries": "bt709",
    }
    return Encoding(**{**usual, **changes})

"""Characters in a code that nobody sees: two codes that look alike would be two tanks."""

from __future__ import annotations

import unicodedata

#: Beside the class Cf (directions turned about, characters without width): joiners, fillers, variation selectors.
_FILLERS = (0x034F, 0x115F, 0x1160, 0x17B4, 0x17B5, *range(0x180B, 0x1810), 0x3164, 0xFFA0, *range(0xFE00, 0xFE10))


def unseen_character(text: str) -> str:
    """The first character of ``text`` that cannot be seen, by number and name; nothing where there is none."""
    for character in text:
        if unicodedata.category(character) == "Cf" or ord(character) in _FILLERS:
            return f"U+{ord(character):04X} {unicodedata.name(character, '').lower()}".rstrip()
    return ""

"""Big letters, five cells high, for what must be read from the other end of the room."""

HEIGHT = 5
#: Between two letters, in cells.
SPACE = 1

_FONT = """\
A  .###. #...# ##### #...# #...#
B  ####. #...# ####. #...# ####.
C  .#### #.... #.... #.... .####
D  ####. #...# #...# #...# ####.
E  ##### #.... ####. #.... #####
F  ##### #.... ####. #.... #....
G  .#### #.... #..## #...# .####
H  #...# #...# ##### #...# #...#
I  ### .#. .#. .#. ###
J  ..### ...#. ...#. #..#. .##..
K  #..## #.#.. ##... #.#.. #..##
L  #.... #.... #.... #.... #####
M  #...# ##.## #.#.# #...# #...#
N  #...# ##..# #.#.# #..## #...#
O  .###. #...# #...# #...# .###.
P  ####. #...# ####. #.... #....
Q  .###. #...# #.#.# #..#. .##.#
R  ####. #...# ####. #..#. #...#
S  .#### #.... .###. ....# ####.
T  ##### ..#.. ..#.. ..#.. ..#..
U  #...# #...# #...# #...# .###.
V  #...# #...# #...# .#.#. ..#..
W  #...# #...# #.#.# ##.## #...#
X  #...# .#.#. ..#.. .#.#. #...#
Y  #...# .#.#. ..#.. ..#.. ..#..
Z  ##### ...#. ..#.. .#... #####
0  .###. #..## #.#.# ##..# .###.
1  .#. ##. .#. .#. ###
2  ####. ....# .###. #.... #####
3  ####. ....# .###. ....# ####.
4  #..#. #..#. ##### ...#. ...#.
5  ##### #.... ####. ....# ####.
6  .###. #.... ####. #...# .###.
7  ##### ...#. ..#.. .#... .#...
8  .###. #...# .###. #...# .###.
9  .###. #...# .#### ....# .###.
-  ... ... ### ... ...
_  .... .... .... .... ####
.  . . . . #
"""

_GLYPHS = {line[0]: tuple(line[3:].split()) for line in _FONT.splitlines()} | {" ": ("..",) * HEIGHT}


def width_in_big(text: str) -> int | None:
    """Cells that `text` takes in big letters; None when a character has none."""
    glyphs = [_GLYPHS.get(char) for char in text.upper()]
    total = 0
    for glyph in glyphs:
        if glyph is None:
            return None
        total += len(glyph[0]) + SPACE
    return max(0, total - SPACE)


def big(text: str, times: int = 1) -> list[str]:
    """`text` in `HEIGHT * times` lines; `times` doubles, trebles every cell. ValueError for a character without one."""
    rows = [""] * HEIGHT
    for char in text.upper():
        glyph = _GLYPHS.get(char)
        if glyph is None:
            raise ValueError(f"no big letter for {char!r}")
        for place, line in enumerate(glyph):
            gap = " " * SPACE if rows[place] else ""
            rows[place] += gap + line.replace("#", "█").replace(".", " ")
    wide = ["".join(cell * times for cell in row) for row in rows]
    return [row for row in wide for _ in range(times)]

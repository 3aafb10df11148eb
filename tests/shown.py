"""Whether what a guide shows of a command is what the command prints; `[...]` stands for lines that were left out."""

LEFT_OUT = "[...]"


def assert_printed(shown: str, output: str) -> None:
    """The parts that are shown stand in the output, whole and in order; all of it where nothing is left out."""
    printed = [line.rstrip() for line in output.splitlines()]
    place = 0
    for part in shown.split(LEFT_OUT):
        lines = part.strip("\n").splitlines()
        while printed[place : place + len(lines)] != lines:
            place += 1
            assert place <= len(printed), f"not printed: {lines}"
        place += len(lines)
    assert shown.rstrip().endswith(LEFT_OUT) or place == len(printed)

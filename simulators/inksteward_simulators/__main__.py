"""`python -m inksteward_simulators COMMAND ...`: starts one simulator process."""

import importlib
import sys

COMMANDS = {
    "press": "press_process",
    "strip-reader": "strip_reader",
    "key-cabinet": "key_cabinet",
    "operator": "operator",
    "job": "job_desk",
}


def main(argv: list[str] | None = None) -> int:
    """Run the named simulator with the rest of the arguments; the modules are imported only when called for."""
    words = sys.argv[1:] if argv is None else argv
    if not words or words[0] not in COMMANDS:
        said = words[0] if words else ""
        print(f"command = {said!r}: expected one of {', '.join(COMMANDS)}", file=sys.stderr)
        return 2
    module = importlib.import_module(f"inksteward_simulators.{COMMANDS[words[0]]}")
    return int(module.main(words[1:]) or 0)


if __name__ == "__main__":
    raise SystemExit(main())

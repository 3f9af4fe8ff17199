"""ConfigError
└── FileProblems   every fault of one file at once, each with its key
"""


class ConfigError(Exception):
    """Something the user wrote cannot be used; the message says what, where and what to do."""


class FileProblems(ConfigError):
    """problems: (key path such as "device[1].channel[0].point", what is wrong), in file order."""

    def __init__(self, path: str, problems: list[tuple[str, str]]) -> None:
        self.path = path
        self.problems = problems
        lines = [f"  {key}: {what}" for key, what in problems]
        super().__init__("\n".join([f"{path}: {len(problems)} problem(s)", *lines]))

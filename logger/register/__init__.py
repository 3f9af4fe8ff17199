"""All jobs of this computer as one SQLite file: made of the job files, and never a second truth.

RegisterError        a question, a name or a file that cannot be taken
├── NoSuchPoint      the job did not measure that
├── NoSuchStage      the job has no stage of that number
└── NotInstalled     a package that is asked for is not there

The message says what, where, and what to do.
"""


class RegisterError(Exception):
    """What was asked of the register, or of a job, cannot be done."""


class NoSuchPoint(RegisterError):
    pass


class NoSuchStage(RegisterError):
    pass


class NotInstalled(RegisterError):
    pass

"""All jobs of this computer as one SQLite file: made of the job files, and never a second truth.

RegisterError   a question, a name or a file that cannot be taken; its message says what, and what to do
"""


class RegisterError(Exception):
    """What was asked of the register cannot be done."""

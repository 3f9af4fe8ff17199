"""ExportError
├── KeyFileError   the signing key's file cannot be used
├── ReportError    the report cannot be set
└── CompareError   two stages cannot be laid side by side

Evidence that does not hold raises logger.evidence.errors.EvidenceError.
"""


class ExportError(Exception):
    """An export cannot be made; the message says what is in the way and what to do."""


class KeyFileError(ExportError):
    pass


class ReportError(ExportError):
    pass


class CompareError(ExportError):
    pass

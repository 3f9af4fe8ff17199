"""EvidenceError
├── ChainError       a record that is not what the chain allows
├── SignatureError   a signature or key that cannot be read, or does not fit what was signed
├── TimestampError   no time stamp, or not of this file, or of nobody known
│   └── TimestampsUnavailable   the library that reads them is not installed
└── BundleError      an archive that is refused, or a bag that is not whole

The message says what is wrong and where; text taken from the evidence in it is made harmless first.
"""


class EvidenceError(Exception):
    """Evidence cannot be made or does not hold."""


class ChainError(EvidenceError):
    pass


class SignatureError(EvidenceError):
    pass


class BundleError(EvidenceError):
    pass


class TimestampError(EvidenceError):
    pass


class TimestampsUnavailable(TimestampError):
    pass

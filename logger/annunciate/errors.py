"""What can go wrong in this room.

AnnunciateError
|-- ChannelFailed   a sound, notice or message did not get out; the message says why, without secrets
`-- PushFileError   the user's file of push addresses cannot be used; says what to do
"""


class AnnunciateError(Exception):
    """Any failure of the annunciate room."""


class ChannelFailed(AnnunciateError):
    """One channel could not do its work this time."""


class PushFileError(AnnunciateError):
    """The file with push addresses is wrong, or others can read it."""

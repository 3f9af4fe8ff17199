"""StoreError
├── PlaceError       a directory or name that cannot be used
├── StoreBusy        another process writes this job
├── StoreVersion     the file was written by a newer version of this program
├── StoreDamaged     the file is no job file, or part of it cannot be read
├── StoreGone        the file being written is no longer at its path
├── StoreTailLost    records that a checkpoint saw are gone from the end
├── StoreSealed      the job is closed; nothing can be added
└── StoreUnsaved     records could not be written before the end

The message says what happened, where, and what to do.
"""


class StoreError(Exception):
    """The store cannot do what was asked."""


class PlaceError(StoreError):
    pass


class StoreBusy(StoreError):
    pass


class StoreVersion(StoreError):
    pass


class StoreDamaged(StoreError):
    pass


class StoreGone(StoreError):
    pass


class StoreTailLost(StoreError):
    pass


class StoreSealed(StoreError):
    pass


class StoreUnsaved(StoreError):
    pass

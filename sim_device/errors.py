"""Errors of the simulated rig.

SimError
├── UnknownScenario   no scenario of that name
├── UnknownAction     `Plant.do` was asked for something the plant does not know
├── UnknownChannel    `Plant.read` was asked for a measuring point the plant does not have
├── NoPty             this system has no pseudo-terminals (serve.py)
├── NoRadio           no bumble, or the Bluetooth radio does not open or has gone (ble.py)
└── BadSetting        an action or scenario was given a value that makes no sense
"""


class SimError(Exception):
    """Anything the simulated rig refuses; the message says what and what would fit."""


class UnknownScenario(SimError):
    pass


class UnknownAction(SimError):
    pass


class UnknownChannel(SimError):
    pass


class BadSetting(SimError, ValueError):
    pass

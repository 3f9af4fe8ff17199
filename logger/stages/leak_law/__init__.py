"""The law of leak rates: of one addition in charging, of all of an appliance's jobs in the register."""

"""Links to devices.

connection.py keeps one open and lets its conversation run over it: session/ for the protocol, text/ and modbus/ for
instruments; these know no port. opening.py makes of a url one of the streams in ports/ and ble/. errors.py draws the
error tree, events.py lists what a link reports, session/phases.py has the protocol's phases as one table.
"""

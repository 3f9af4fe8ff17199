"""Links to devices. Sans-io: session.py and what it is made of. Real ports: serial_link, tcp_link, find, supervisor.

errors.py draws the error tree, events.py lists what a link has to tell, machine.py has the phases as one table.
"""

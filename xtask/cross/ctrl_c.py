"""Presses Ctrl-C in a terminal while a program writes: ctrl_c.py FOLDER PROGRAM ARGUMENTS, as soon as there is an unfinished file.

Ends with 0 if the program ended with 130 and left nothing in the folder.
"""

import os
import pathlib
import pty
import sys

folder = pathlib.Path(sys.argv[1])
child, terminal = pty.fork()
if child == 0:
    os.execvp(sys.argv[2], sys.argv[2:])
pressed = False
while True:
    try:
        # It draws its bar meanwhile.
        if not os.read(terminal, 4096):
            break
    except OSError:
        break
    if not pressed and any(folder.glob(".minuend-*.part")):
        os.write(terminal, b"\x03")
        pressed = True
code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
left = [path.name for path in folder.iterdir()]
print(f"Ctrl-C {'' if pressed else 'not '}pressed, ended with {code}, left {left}")
sys.exit(code != 130 or left != [])

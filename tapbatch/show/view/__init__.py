"""What is shown, decided once: the answers, rows and notices that every face lays out.

A history and the settings come in; frozen values go out, their sentences already made by ``say``. Which stage is the
latest, which mode leads, which landings matter and which modes get a chart are decided here and nowhere else, so that
terminal, reading slip, bench card, page and notebook say the same. This room knows no paper, no screen and no file.
"""

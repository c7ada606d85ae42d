"""The manual page and the shell completion, both made from the command line's own tree of commands.

`python -m monitor.manual FOLDER` writes them where man, bash and zsh look below FOLDER (`/usr/local/share`);
`systemd/install` does that. Nothing imports this room, so neither costs the daemon or a command anything.
"""

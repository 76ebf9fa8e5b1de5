# shellcheck shell=sh
# Tell whoever logs in what the boat did by itself.
[ ! -r /run/motd.d/boat-settings ] || cat /run/motd.d/boat-settings

# shellcheck shell=sh
# Show at each login what the boat did by itself.
[ ! -r /run/motd.d/boat-settings ] || cat /run/motd.d/boat-settings

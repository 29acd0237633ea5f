#!/bin/sh
# Watch and steer with oscdump and oscsend alone. The daemon must send here: destinations = ["127.0.0.1:9000"] in [osc].
#
#   with-liblo.sh watch          how far every track is off, and each trim that is logged, until Ctrl-C
#   with-liblo.sh next | back    go to another step
#   with-liblo.sh log 3          log track 3 as it stands now
#   with-liblo.sh hold | go on   stop everything automatic, or let it go on
#   with-liblo.sh stay | follow  stay at the step whatever plays, or let the tape lead to the step of its tone
host=${TRIMBRIDGE_HOST:-127.0.0.1} port=${TRIMBRIDGE_PORT:-9710} here=${TRIMBRIDGE_HERE:-9000}
case "$1 $2" in
    "watch ") oscdump -L "$here" | grep --line-buffered -E ' (/track/[0-9]+/deviation|/trim/logged) ' ;;
    "next " | "back ") oscsend "$host" "$port" "/do/$1" ;;
    "log "[0-9]*) oscsend "$host" "$port" /do/log i "$2" ;;
    "hold ") oscsend "$host" "$port" /do/hold T ;;
    "go on") oscsend "$host" "$port" /do/hold F ;;
    "stay ") oscsend "$host" "$port" /do/follow F ;;
    "follow ") oscsend "$host" "$port" /do/follow T ;;
    *) sed -n 's/^#   //p' "$0" && exit 2 ;;
esac

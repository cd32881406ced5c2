#!/bin/sh
# The store on a disk that is full, and on one that can only be read; both are real: a small file system in memory that nobody else sees.
# Usage: tests/disk.sh [PROGRAM]   (PROGRAM: the built clinic_crash)
# Ends with 77 where nobody may mount one here: nothing was tested then.
set -eu

# Within the name space of our own: program and folder are given.
if [ "$#" -eq 2 ]; then
    program=$1
    folder=$2
    disk=$folder/disk
    mkdir "$disk"
    mount -t tmpfs -o size=6m none "$disk"
    "$program" disk "$disk"
    mount -o remount,ro "$disk"
    echo "· closed as it should be, then read-only"
    "$program" readonly "$disk"
    mount -o remount,rw "$disk"
    # A program that is killed leaves its journal behind.
    "$program" write "$disk/clinic.sqlite" >"$folder/lines" &
    writer=$!
    tries=0
    while [ ! -s "$folder/lines" ]; do
        tries=$((tries + 1))
        if [ "$tries" -gt 600 ] || ! kill -0 "$writer" 2>/dev/null; then
            echo "the program that writes has written nothing" >&2
            kill -9 "$writer" 2>/dev/null || true
            exit 1
        fi
        sleep 0.1
    done
    sleep 0.2
    kill -9 "$writer"
    wait "$writer" 2>/dev/null || true
    cat "$folder/lines" >>"$disk.acknowledged"
    mount -o remount,ro "$disk"
    echo "· killed, then read-only"
    "$program" readonly "$disk"
    exit 0
fi

program=${1:-target/checked/clinic_crash}
case $program in
/*) ;;
*) program=$(pwd)/$program ;;
esac
if [ ! -x "$program" ]; then
    echo "$program is not there; build fangwright-checks first" >&2
    exit 2
fi
script=$(cd "$(dirname "$0")" && pwd)/$(basename "$0")
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
mkdir "$folder/trial"
if ! unshare -rm mount -t tmpfs -o size=1m none "$folder/trial"; then
    echo "NOT TESTED: a full disk and a read-only one; this machine lets us mount nothing (unshare -rm)" >&2
    exit 77
fi
unshare -rm sh "$script" "$program" "$folder"

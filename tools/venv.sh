#!/usr/bin/env bash
# Make a virtual environment: tools/venv.sh PYTHON FOLDER
# Debian and Ubuntu split `venv` into a package of its own; where it is missing, fetch that package
# (as root) or go through virtualenv. Whatever cannot be had is asked for in one sentence.
set -euo pipefail
python=$1
folder=$2

give_up() {
    echo "setup: $1" >&2
    exit 2
}

version=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])' 2>/dev/null) ||
    give_up "$python does not run here; install it or name another, as in: make setup PYTHON=python3.13"
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    give_up "$python is Python $version, but 3.11 or newer is needed; name another with PYTHON="

has_venv() { "$python" -c 'import venv, ensurepip' 2>/dev/null; }

# What an earlier call made with the same Python can stay.
if [[ $("$folder/bin/python" -m pip --version 2>/dev/null) == *"(python $version)"* ]]; then
    exit 0
fi
rm -rf "$folder"

if ! has_venv && [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    export DEBIAN_FRONTEND=noninteractive
    echo "setup: installing python$version-venv"
    log=$( (apt-get update -qq && apt-get install -qq -y --no-install-recommends "python$version-venv") 2>&1) ||
        echo "$log" >&2
fi
if has_venv; then
    "$python" -m venv "$folder"
elif "$python" -m virtualenv --version >/dev/null 2>&1; then
    "$python" -m virtualenv -q "$folder"
elif "$python" -m pip --version >/dev/null 2>&1; then
    scratch=$(mktemp -d)
    trap 'rm -rf "$scratch"' EXIT
    "$python" -m pip install -q --target "$scratch" virtualenv
    PYTHONPATH=$scratch "$python" -m virtualenv -q "$folder"
else
    give_up "$python has neither venv nor pip; install the package python$version-venv"
fi

# Sourced by deploy/try and tests/run from the top of the checkout: makes ./.venv hold what a
# list of requirements files asks for. Quiet when there is nothing to do; safe to run again.

say() { printf 'lastwatt: %s\n' "$*" >&2; }

die() { say "$*"; exit 1; }

# need_python: sets $PYTHON to a Python of at least 3.11 that can make a venv.
need_python() {
    for PYTHON in python3 python3.13 python3.12 python3.11; do
        "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && break
        PYTHON=
    done
    [ -n "$PYTHON" ] || die "Python 3.11 or newer is needed: apt-get install python3 python3-venv"
    "$PYTHON" -c 'import ensurepip, venv' 2>/dev/null && return
    need_debian python3-venv
}

# need_debian PACKAGE...: installs the Debian packages that are missing; needs root for that.
need_debian() {
    missing=
    for package in "$@"; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' ||
            missing="$missing $package"
    done
    [ -n "$missing" ] || return 0
    [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null || {
        say "missing Debian packages:$missing (as root: apt-get install$missing)"
        return 1
    }
    say "installing Debian packages:$missing"
    # The peers are started by the tests, on loopback; none may start by itself.
    policy=/usr/sbin/policy-rc.d
    [ -e "$policy" ] && own_policy= || { own_policy=1; printf '#!/bin/sh\nexit 101\n' >"$policy"; chmod 755 "$policy"; }
    log=$(mktemp)
    installed=
    # shellcheck disable=SC2086
    if { apt-get update -qq && DEBIAN_FRONTEND=noninteractive \
        apt-get install -y -qq --no-install-recommends $missing; } >"$log" 2>&1; then installed=1; fi
    [ -z "$own_policy" ] || rm -f "$policy"
    [ -n "$installed" ] || { cat "$log" >&2; rm -f "$log"; return 1; }
    rm -f "$log"
}

# need_venv FILE...: ./.venv, or what $venv_name says, with exactly the pinned, hashed requirements
# and lastwatt itself; sets $VENV.
need_venv() {
    need_python
    VENV=$PWD/${venv_name:-.venv}
    stamp=$VENV/installed
    wanted=$(cat requirements/build.txt "$@" pyproject.toml | sha256sum | cut -d' ' -f1)
    [ -x "$VENV/bin/python" ] && "$VENV/bin/python" -c '' 2>/dev/null || rm -rf "$VENV"
    [ -f "$stamp" ] && grep -q "$wanted" "$stamp" && return
    say "setting up $VENV (once; about half a minute)"
    [ -d "$VENV" ] || "$PYTHON" -m venv "$VENV"
    pip="$VENV/bin/python -m pip --quiet --disable-pip-version-check install"
    files=
    for file in requirements/build.txt "$@"; do files="$files -r $file"; done
    # shellcheck disable=SC2086
    $pip --require-hashes $files
    # shellcheck disable=SC2086
    $pip --no-deps --no-build-isolation --editable .
    # A stamp is a list: the set with the test tools contains the one without.
    for set in "requirements/run.txt" "$*"; do
        # shellcheck disable=SC2086
        cat requirements/build.txt $set pyproject.toml | sha256sum | cut -d' ' -f1
    done >"$stamp"
}

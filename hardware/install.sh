#!/usr/bin/env bash
# Set the companion up in this folder: Debian packages, a Python environment in .venv, the speech model.
# Safe to run again at any time: what is there is left alone, and nothing is downloaded twice.
set -euo pipefail

usage() {
    cat <<'TEXT'
Example: bash hardware/install.sh

Sets the companion up in this folder. Run again, it does only what is missing.

  --tests       also what the tests need
  --service     as a service of the board instead, started at boot (as root): programs in /opt/companion,
                configuration in /etc/companion, logbook and recordings in /var/lib/companion
  --update      change to what this folder holds now (after a git pull, say): the service if it is
                installed, else the environment of this folder; the one before is kept
  --back        return to the one before
  --uninstall   remove the service and the environments; configurations, logbooks and recordings stay
  --purge       with --uninstall: those too, the service's and yours
  --help        this text

PYTHON=/path/to/python3 chooses the Python to use (3.11 or newer). With DESTDIR=/some/folder the service is
put under that folder, and nothing of the running system is touched: for trying it out.

Not for navigation. Fuse at the battery; wiring by local rules and a competent person.
TEXT
}

say() { printf '%s\n' "$*"; }

stop() {
    printf 'install: %s\n' "$*" >&2
    exit 1
}

tests=no
purge=no
task=folder
for option in "$@"; do
    case $option in
        --tests) tests=yes ;;
        --purge) purge=yes ;;
        --service | --update | --back | --uninstall)
            [[ $task == folder ]] || { usage >&2 && exit 2; }
            task=${option#--}
            ;;
        -h | --help) usage && exit 0 ;;
        *) usage >&2 && exit 2 ;;
    esac
done
if [[ $purge == yes && $task != uninstall ]] || [[ $tests == yes && $task != folder ]]; then
    usage >&2
    exit 2
fi

CDPATH='' cd -- "$(dirname -- "${BASH_SOURCE[0]}")/.."
here=$PWD
venv=$here/.venv
before_venv=$here/.venv.before
stamp=$venv/installed.txt

# --- Debian packages ---------------------------------------------------------------------------------

packages=()

need() { # PACKAGE WHY TEST...: add a package, and say why, unless the test shows that it is there
    local package=$1 why=$2
    shift 2
    if ! "$@" >/dev/null 2>&1; then
        packages+=("$package")
        say "needed: $package ($why)"
    fi
}

has_library() {
    # On a machine without dpkg the loader's cache is asked.
    dpkg-query -W -f '${Status}' "$1" 2>/dev/null | grep -q 'ok installed' ||
        ldconfig -p 2>/dev/null | grep -q "${1%[0-9]}.so"
}

install_packages() { # install what was found needed; 1 when that cannot be done here
    ((${#packages[@]})) || return 0
    local as_root=()
    if ((EUID)); then
        command -v sudo >/dev/null || return 1
        as_root=(sudo)
    fi
    command -v apt-get >/dev/null || return 1
    say "installing the Debian packages: ${packages[*]}"
    # What was cut off while packages were put in has to be ended before others can be.
    if command -v dpkg >/dev/null; then
        "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive dpkg --configure -a >/dev/null || return 1
    fi
    "${as_root[@]}" apt-get update -qq &&
        "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive \
            apt-get install -qq --yes --no-install-recommends "${packages[@]}" >/dev/null
}

can_make_environments() { "$1" -c 'import ensurepip, venv'; }

# --- Python ------------------------------------------------------------------------------------------

is_new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }

find_python() { # print the first Python that is new enough; the one that was chosen, if one was
    local candidate candidates=(python3 python3.13 python3.12 python3.11)
    [[ -z ${PYTHON:-} ]] || candidates=("$PYTHON")
    for candidate in "${candidates[@]}"; do
        if is_new_enough "$candidate"; then
            say "$candidate"
            return
        fi
    done
    return 1
}

need_python() {
    local python package=python3-venv
    [[ -n ${PYTHON:-} ]] || need python3 "runs the companion" command -v python3
    if python=$(find_python) && [[ $python != python3 ]]; then
        package=$("$python" -c 'import sys; print("python3.%d-venv" % sys.version_info[1])')
    fi
    need "$package" "keeps the companion's Python packages apart" can_make_environments "${python:-python3}"
}

make_environment() {
    local python
    python=$(find_python) || stop "Python 3.11 or newer is needed, and $(found_python). Debian 12 has it" \
        "(apt-get install python3 python3-venv); or set PYTHON=/path/to/python3.11 and run this again."
    if [[ -e $venv ]]; then
        say "the environment in .venv does not fit this folder or this Python any more: making it anew"
        [[ -f $venv/pyvenv.cfg ]] ||
            stop "$venv is there but is no Python environment: move it away and run this again."
        rm -rf "$venv"
    fi
    say "making the environment .venv with $("$python" --version)"
    "$python" -m venv "$venv" ||
        stop "$python could not make $venv (see above): is python3-venv installed, and the disk not full?"
}

found_python() {
    local version
    if version=$("${PYTHON:-python3}" --version 2>/dev/null); then
        printf '%s is %s' "${PYTHON:-python3}" "$version"
    else
        printf '%s does not run' "${PYTHON:-python3}"
    fi
}

environment_fits() { # it runs, is new enough, has its own pip, and was not made in another folder
    is_new_enough "$venv/bin/python" && "$venv/bin/python" -c 'import pip' 2>/dev/null &&
        [[ ! -f $stamp || $(sed -n 2p "$stamp") == "$here" ]]
}

wanted_stamp() { # what an environment was installed for ("tests" or ""), where, and from what
    say "$1"
    say "$here"
    "$venv/bin/python" --version
    "$venv/bin/python" -c "$describe_package" | cat - "$(lock_for "$1")" | sha256sum
}

lock_for() { # print the list of pinned packages for "tests" or for ""
    if [[ $1 == tests ]]; then say hardware/requirements-tests.txt; else say hardware/requirements.txt; fi
}

# Only what pip goes by: a changed setting of some other tool is no reason to install again.
describe_package='
import json, tomllib
tables = tomllib.load(open("pyproject.toml", "rb"))
print(json.dumps([tables["build-system"], tables["project"]], sort_keys=True))'

stamp_says() { [[ -f $stamp && $(<"$stamp") == "$(wanted_stamp "$1")" ]]; }

as_builder=() # the command that commands which make an environment are given to: nobody else's here

pip_install() { # PLACE WHAT...: install into an environment; a package without a wheel is built as ours is
    local place=$1
    shift
    "${as_builder[@]}" env PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_USE_PEP517=1 \
        "$place/bin/python" -m pip install --quiet "$@"
}

install_locked() { # PLACE LOCK WHAT...: what LOCK pins, each with its hash; then WHAT, built with that
    pip_install "$1" --require-hashes --requirement "$2" && pip_install "$1" --no-build-isolation "${@:3}"
}

install_python_packages() {
    local for='' extra='[report]'
    if [[ $tests == yes ]] || { [[ -f $stamp ]] && [[ $(head -n 1 "$stamp") == tests ]]; }; then
        for=tests extra='[report,test]'
    fi
    say "installing the Python packages (some minutes on a small board)"
    rm -f "$stamp"
    install_locked "$venv" "$(lock_for "$for")" --editable ".$extra" ||
        stop "the Python packages could not be installed (see above)." \
            "If there is no network here, connect to one once and run this again; what is there is kept."
    sync -f -- "$venv" # the power may be cut: the stamp is not to be there before the rest
    wanted_stamp "$for" >"$stamp"
}

# --- going on to another environment, and back; removing all ------------------------------------------

settle_folder() { # end what was cut off: going back is gone on with, an update is undone; 1 when nothing was
    if [[ -e $venv.now ]]; then
        { [[ -e $venv ]] || mv -T -- "$before_venv" "$venv"; } && mv -T -- "$venv.now" "$before_venv" &&
            say "going back was cut off: it is done now"
    elif [[ -e $venv.old ]]; then
        rm -rf -- "$venv" && mv -T -- "$venv.old" "$venv" &&
            say "an update was cut off or failed: the environment from before is back in its place" >&2
    else
        return 1
    fi
}

update_folder() { # a new environment in the place of the old, which is kept, and comes back if this fails
    settle_folder || true
    if [[ ! -e $venv && -e $before_venv ]]; then mv -T -- "$before_venv" "$venv"; fi
    [[ -e $venv ]] || stop "nothing is installed in this folder yet: run this without --update."
    if [[ -f $stamp && $(head -n 1 "$stamp") == tests ]]; then tests=yes; fi
    trap settle_folder EXIT
    mv -T -- "$venv" "$venv.old"
    make_environment
    install_python_packages
    "$venv/bin/python" -m companion.voice.model
    rm -rf -- "$before_venv"
    mv -T -- "$venv.old" "$before_venv"
    trap - EXIT
    say "updated; the environment before is kept: bash hardware/install.sh --back returns to it"
}

back_folder() {
    settle_folder && return
    [[ -e $before_venv ]] || stop "there is no environment before this one to go back to."
    if [[ -e $venv ]]; then mv -T -- "$venv" "$venv.now"; fi
    mv -T -- "$before_venv" "$venv"
    if [[ -e $venv.now ]]; then mv -T -- "$venv.now" "$before_venv"; fi
    say "went back; --back once more returns. The program itself is what this folder holds (git log)."
}

uninstall_folder() {
    rm -rf -- "$venv" "$before_venv" "$venv.old" "$venv.now"
    say "removed the environments of this folder; Debian packages stay, other programs may use them"
    local own=("${XDG_CONFIG_HOME:-$HOME/.config}/companion" "${XDG_DATA_HOME:-$HOME/.local/share}/companion")
    if [[ $purge == yes ]]; then
        rm -rf -- "${own[@]}"
        say "removed ${own[*]}, with every logbook and recording in them"
    else
        say "kept ${own[*]}"
    fi
}

closing_words() {
    if ((${#without[@]})); then
        say "STILL MISSING, and the companion may not hear or speak without: ${without[*]}." \
            "As root, with a network: apt-get install ${without[*]}"
    fi
    say "Not for navigation. Depths and marks may be wrong; keep a look-out, wear the life jacket, clip on the" \
        "engine cut-off lanyard, fuse the wiring at the battery, obey the local fishing rules."
}

need_packages() { # what Debian has to give; what cannot be installed here is remembered in `without`
    need alsa-utils "microphone and speaker: arecord, aplay" command -v arecord
    need espeak-ng "the companion's voice" command -v espeak-ng
    need fonts-dejavu-core "the words in pictures" compgen -G "/usr/share/fonts/truetype/dejavu/*.ttf"
    need libspeexdsp1 "takes wind and motor noise down before commands are made out" has_library libspeexdsp1
    case $(uname -m) in
        aarch64 | arm*) need libatomic1 "the speech recogniser on ARM boards" has_library libatomic1 ;;
    esac
    environment_fits || need_python
    if [[ $tests == yes ]]; then
        need chromium "tests: looks at the page" command -v chromium
        need libasound2-plugins "tests: sound from end to end" \
            compgen -G "/usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so"
        need pulseaudio "tests: sound from end to end" command -v pulseaudio
        need pulseaudio-utils "tests: sound from end to end" command -v pactl
        need flite "tests: more voices for the demo day" command -v flite
        need gpsd-clients "tests: gpsdecode, to be measured against" command -v gpsdecode
        need shellcheck "tests: checks this script" command -v shellcheck
    fi
    without=()
    if ! install_packages; then
        [[ $tests == no ]] || stop "these Debian packages are needed and could not be installed: ${packages[*]}." \
            "As root, with a network: apt-get install ${packages[*]}"
        without=("${packages[@]}")
    fi
}

set_folder_up() {
    need_packages
    settle_folder || true
    environment_fits || make_environment
    if ! stamp_says tests && ! { [[ $tests == no ]] && stamp_says ''; }; then
        install_python_packages
    fi
    "$venv/bin/python" -m companion.voice.model ||
        stop "everything else is ready; run this again once the speech model can be had."
    say "The companion is ready: .venv/bin/companion --help"
    closing_words
}

# --- in order ----------------------------------------------------------------------------------------

if [[ $task == folder ]]; then
    set_folder_up
    exit
fi

# shellcheck source=hardware/service.sh
source "$here/hardware/service.sh"
case $task in
    service)
        must_be_root --service
        need_packages
        install_service
        closing_words
        ;;
    update) if [[ -e $home ]]; then update_service; else update_folder; fi ;;
    back) if [[ -e $home ]]; then back_service; else back_folder; fi ;;
    uninstall)
        if [[ -e $home || -e $unit ]]; then uninstall_service; fi
        if [[ $purge == yes ]]; then purge_service; fi
        if [[ -z ${DESTDIR:-} ]]; then uninstall_folder; fi
        ;;
esac

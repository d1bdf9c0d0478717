# shellcheck shell=bash
# The companion as a service of the board; sourced by install.sh, which has say, stop and the environment's
# functions. Everything lies under $root, which is empty on a real board and DESTDIR when trying it out.

root=${DESTDIR:-}
root=${root%/}
home=$root/opt/companion
downloads=$home/downloads # what pip has fetched, kept until an environment is whole
copied=$home/source       # what an environment is made from; its place is remembered there, so it is always the same
current=$home/current   # -> environments/N, what runs; N/before.txt names what ran before
goes_with=share/companion # in an environment: the unit and the udev rules that go with it
settings=$root/etc/companion
data=$root/var/lib/companion
unit=$root/etc/systemd/system/companion.service
ports=$root/etc/udev/rules.d/70-companion.rules
link=$root/usr/local/bin/companion
completion=$root/etc/bash_completion.d/companion
account=companion
builder=companion-setup # fetches and unpacks Python packages, has no other rights, and owns nothing afterwards

on_the_board() { # run something that changes the running system; not when trying it out
    [[ -n $root ]] || "$@"
}

systemd_runs() { [[ -z $root && -d /run/systemd/system ]]; }

must_be_root() {
    [[ -n $root ]] || ((EUID == 0)) || stop "$1 changes the system: run it as root (sudo bash hardware/install.sh $1)."
}

has_account() { [[ -z $root ]] && getent passwd "$account" >/dev/null; }

make_account() {
    [[ -z $root ]] || return 0
    if ! has_account; then
        useradd --system --user-group --no-create-home --home-dir "$data" --shell /usr/sbin/nologin "$account"
        say "made the account $account, which the service runs as"
    fi
    getent group gpio >/dev/null || groupadd --system gpio
    local group
    for group in dialout audio gpio; do
        if getent group "$group" >/dev/null; then usermod --append --groups "$group" "$account"; fi
    done
}

source_sum() { # one number for all that an environment of the service is made from
    (
        cd -- "${here:?}" || exit
        find companion pyproject.toml README.md LICENSE "hardware/${unit##*/}" "hardware/${ports##*/}" \
            -type f ! -path '*/__pycache__/*' -print0 | LC_ALL=C sort -z | xargs -0 sha256sum | sha256sum
    )
}

is_current() { # what runs was made from what this folder holds now
    [[ -x $current/bin/companion && -f $current/made-from.txt ]] &&
        [[ $(<"$current/made-from.txt") == "$(source_sum)" ]]
}

next_number() {
    local last
    last=$(find "$home/environments" -mindepth 1 -maxdepth 1 -name '[0-9]*' -printf '%f\n' | sort -n | tail -n 1)
    say "$((${last:-0} + 1))"
}

can_be_seen() { # the service is shut off from /home and /root
    case $("$1" -c 'import os, sys; print(os.path.realpath(sys.executable))') in
        /home/* | /root/*) [[ -n $root ]] ;;
    esac
}

hand_to_builder() { # FOLDER...: let what comes from the network be run in these by the builder, not by root
    mkdir -p -- "$@"
    as_builder=(env --chdir="$1")
    [[ -z $root ]] || return 0
    getent passwd "$builder" >/dev/null ||
        useradd --system --user-group --no-create-home --home-dir /nonexistent --shell /usr/sbin/nologin "$builder"
    chown -hR "$builder:$builder" "$@"
    as_builder=(setpriv --reuid "$builder" --regid "$builder" --clear-groups --no-new-privs
        env --chdir="$1" HOME="$1" PIP_CACHE_DIR="$downloads")
}

seal() { # FOLDER: from now on root alone may change it, and all may read it
    on_the_board chown -hR root:root "$1"
    chmod -R u=rwX,go=rX -- "$1"
}

build_environment() { # make a whole environment at its final place and try it; what runs is not touched
    local place=$1 python
    python=$(find_python) || stop "Python 3.11 or newer is needed, and $(found_python)."
    can_be_seen "$python" ||
        stop "the service cannot see into homes, and $python lies in one: choose another with PYTHON=."
    rm -rf -- "$copied"
    mkdir -p -- "$copied"
    cp -r -- companion pyproject.toml README.md LICENSE hardware/requirements.txt "$copied"
    hand_to_builder "$copied" "$place" "$downloads"
    say "installing the Python packages (some minutes on a small board)"
    if ! { "${as_builder[@]}" "$python" -m venv "$place" && install_locked "$place" requirements.txt '.[report]'; }; then
        rm -rf -- "$copied" "$place"
        stop "the Python packages could not be installed (see above); nothing was changed."
    fi
    if ! "${as_builder[@]}" "$place/bin/companion" settings --example >/dev/null; then
        rm -rf -- "$copied" "$place"
        stop "what was installed does not run (see above); nothing was changed."
    fi
    rm -rf -- "$copied" "$downloads"
    seal "$place"
    mkdir -p "$place/share/doc/companion"
    cp -- hardware/*.md hardware/*.svg "$place/share/doc/companion"
    keep_unit_and_rules "$place" "hardware/${unit##*/}" "hardware/${ports##*/}"
    source_sum >"$place/made-from.txt"
}

point() { # point LINK at a folder beside it, in one step
    ln -sfn -- "$2" "$1.new" && mv -T -- "$1.new" "$1"
}

switch_to() { # let environments/NUMBER run, and remember which one ran, in one step
    if [[ -L $current ]]; then
        keep_those_in_place
        readlink "$current" >"$home/environments/$1/before.txt"
    fi
    sync -f -- "$home" # the power may be cut: nothing is to be pointed at before it is on the disk
    point "$current" "environments/$1"
}

ran_before() { # print the environment that ran before the present one, if it is whole
    local name
    name=$(cat "$current/before.txt" 2>/dev/null) && [[ -x $home/$name/bin/companion ]] && say "$name"
}

switch_to_new_environment() {
    local number
    mkdir -p "$home/environments"
    number=$(next_number)
    build_environment "$home/environments/$number"
    switch_to "$number"
    put_unit_and_rules
    remove_old_environments
}

remove_old_environments() { # all but what runs and what ran before
    local place before
    before=$(ran_before) || before=none
    for place in "$home"/environments/*; do
        [[ $place -ef $current || $place -ef $home/$before ]] || rm -rf -- "$place"
    done
}

keep_unit_and_rules() { # ENVIRONMENT UNIT RULES: all or nothing
    local kept=$1/$goes_with
    rm -rf -- "$kept.new"
    mkdir -p -- "$kept.new"
    install -m 644 -- "$2" "$kept.new/${unit##*/}"
    install -m 644 -- "$3" "$kept.new/${ports##*/}"
    mv -T -- "$kept.new" "$kept"
}

keep_those_in_place() { # with what runs, if an older installer made it, which kept none; one that is lacking: this folder's
    local place found=()
    [[ ! -d $current/$goes_with ]] || return 0
    for place in "$unit" "$ports"; do
        if [[ ! -f $place ]]; then place=hardware/${place##*/}; fi
        found+=("$place")
    done
    keep_unit_and_rules "$current" "${found[@]}"
}

is_as_put() { # PLACE: as a version that is still here has it, so that nobody changed it since
    local kept
    for kept in "$home"/environments/*/"$goes_with/${1##*/}"; do
        cmp -s -- "$kept" "$1" && return
    done
    return 1
}

put_unit_and_rules() { # those of the version that runs; `changed` tells of a new unit
    local place kept
    keep_those_in_place
    for place in "$unit" "$ports"; do
        kept=$current/$goes_with/${place##*/}
        if cmp -s -- "$kept" "$place"; then continue; fi
        if [[ -e $place ]] && ! is_as_put "$place"; then
            say "left $place as somebody changed it; for this version's: remove it, then hardware/install.sh --service"
            continue
        fi
        install -D -m 644 -- "$kept" "$place.new"
        sync -- "$place.new" # the power may be cut: half of it would pass for changed by hand
        mv -T -- "$place.new" "$place"
        say "installed $place"
        if [[ $place == "$unit" ]]; then changed=yes; else reload_ports; fi
    done
}

put_model() { # the service has a data folder of its own, and the model is copied there, not fetched twice
    local found as_account=()
    if [[ -z $root ]]; then
        as_account=(setpriv --reuid "$account" --regid "$account" --clear-groups --no-new-privs
            env --chdir="$data" --unset=M2_REPO HOME="$data")
    fi
    found=$("${as_account[@]}" env XDG_DATA_HOME="$root/var/lib" "$current/bin/python" -m companion.voice.model) ||
        stop "everything else is ready; run this again once the speech model can be had."
    say "$found"
}

borrow_model() { # copy the model from the data folder of whoever runs this, if it is there
    local name=speech-model-en source
    for source in "${XDG_DATA_HOME:-$HOME/.local/share}"/companion/"$name"*; do
        [[ -f $source/complete.txt && ! -e $data/${source##*/} ]] || continue
        rm -rf -- "$data/unfinished"
        cp -r -- "$source" "$data/unfinished" && mv -T -- "$data/unfinished" "$data/${source##*/}"
    done
}

put_settings() {
    [[ -e $settings/companion.toml ]] && return
    mkdir -p "$settings"
    "$current/bin/companion" settings --example >"$settings/companion.toml.new"
    mv -- "$settings/companion.toml.new" "$settings/companion.toml"
    say "EDIT $settings/companion.toml: it is the example, and its rods and ports are not yours"
}

put_completion() {
    mkdir -p "${completion%/*}"
    _COMPANION_COMPLETE=bash_source "$current/bin/companion" >"$completion.new"
    mv -- "$completion.new" "$completion"
}

install_service() {
    local changed=no
    make_account
    if [[ ! -x $current/bin/companion ]]; then
        switch_to_new_environment
        changed=yes
    else
        put_unit_and_rules
    fi
    is_current || say "this folder holds another version than the one that runs: --update changes to it"
    mkdir -p "$data" "${link%/*}"
    borrow_model
    on_the_board chown -hR "$account:$account" "$data"
    on_the_board chmod 750 "$data"
    put_model
    put_settings
    point "$link" "$current/bin/companion"
    put_completion
    start_service "$changed"
}

current_runs() { # the process that runs, if one does, is of the current environment
    local pid
    pid=$(systemctl show --value --property MainPID companion.service)
    [[ $pid == 0 ]] || grep -qz -- "^$home/$(readlink "$current")/" "/proc/$pid/cmdline"
}

reload_ports() {
    systemd_runs || return 0
    udevadm control --reload && udevadm trigger --subsystem-match=tty --subsystem-match=gpio
}

start_service() { # start it, or start it again when something CHANGED
    if ! systemd_runs; then
        say "systemd does not run here: the service is installed, and neither enabled nor started"
        return
    fi
    systemctl daemon-reload
    systemctl --quiet enable companion.service
    local how=start
    if [[ $1 == yes ]] || ! current_runs; then how=restart; fi
    systemctl "$how" companion.service ||
        say "it did not start; see: journalctl -u companion -n 30"
}

update_service() {
    local changed=no
    must_be_root --update
    if is_current; then
        say "what runs is what this folder holds: nothing to update"
        put_unit_and_rules
        start_service "$changed"
    else
        switch_to_new_environment
        say "updated; the version before is kept: sudo bash hardware/install.sh --back returns to it"
        after_a_switch
    fi
}

back_service() {
    local before changed=no
    must_be_root --back
    if systemd_runs && ! current_runs; then
        say "the last change was cut off before it took effect: it does now"
        put_unit_and_rules
        after_a_switch
        return
    fi
    before=$(ran_before) || stop "there is no version before this one to go back to."
    switch_to "${before##*/}"
    put_unit_and_rules
    say "went back; --back once more returns"
    after_a_switch
}

after_a_switch() {
    put_completion
    start_service yes
}

uninstall_service() { # everything but what its owner wrote and it recorded
    must_be_root --uninstall
    if systemd_runs; then
        systemctl --quiet disable --now companion.service 2>/dev/null || true
    fi
    rm -f -- "$unit"{,.new} "$ports"{,.new} "$link" "$completion"
    rm -rf -- "$home"
    if [[ -z $root ]] && getent passwd "$builder" >/dev/null; then userdel "$builder"; fi
    if systemd_runs; then systemctl daemon-reload; fi
    reload_ports
    say "removed the service; kept $settings and $data"
}

purge_service() {
    [[ -e $settings || -e $data ]] || has_account || return 0
    must_be_root --purge
    rm -rf -- "$settings" "$data"
    if has_account; then userdel "$account"; fi
    say "removed $settings and $data, with every logbook and recording in them"
}

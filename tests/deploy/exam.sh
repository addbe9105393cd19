#!/bin/sh
# Runs once, inside a booted Debian image (test_installed.py): installs, upgrades, takes back and removes, and
# writes what it saw to /root/seen, a line "NAME VALUE" each. The program's source is /source, its wheels /wheels.
set -u
export PIP_NO_INDEX=1 PIP_FIND_LINKS=/wheels HOME=/root
saw() { echo "$1 $2" >>/root/seen; }
manage() {
    "$copy/deploy/manage" "$@" >/root/out 2>/root/err
    code=$?
    sed 's/^/    /' /root/err
    return $code
}
version() { /opt/linebook/current/bin/linebook --version; }
exposed() { # as systemd counts the unit that runs, of 10
    systemd-analyze security --no-pager "linebook-$1.service" | sed -n 's/.*Overall exposure level[^:]*: \([0-9.]*\) .*/\1/p'
}
active() { systemctl is-active "linebook-$1.service"; }
changed() { # a copy of the source as another version would be
    rm -rf "$copy.next"
    cp -r /source "$copy.next"
    sed -i "s/^version = .*/version = \"$1\"/" "$copy.next/pyproject.toml"
    rm -rf "$copy"
    mv "$copy.next" "$copy"
}
await() { # a command that comes true within 60 s
    for _ in $(seq 120); do
        "$@" >/dev/null 2>&1 && return 0
        sleep 0.5
    done
    return 1
}
ip link set lo up
copy=/root/copy
changed 0.1.0

# A probe with its pages
manage install-probe
saw installed $?
saw example "$(/opt/linebook/current/bin/linebook site check /etc/linebook/site.toml >/dev/null 2>/root/err; head -c 200 /root/err)"
manage install-probe
saw installed_twice $?
invitation=$(/opt/linebook/current/bin/linebook endpoint invite /root/far --address 127.0.0.1:47900)
/opt/linebook/current/bin/linebook endpoint serve /root/far --listen 127.0.0.1 2>/dev/null &
cat >/etc/linebook/site.toml <<SITE
name = "Image (invented)"
invented = true
timezone = "UTC"
database = "/var/lib/linebook/linebook.db"
secrets = "secrets.toml"
[[handoff]]
name = "A"
interface = "lo"
[[endpoint]]
name = "far"
where = "outside"
[[train]]
handoff = "A"
endpoint = "far"
per_second = 20
SITE
printf '[invitation]\nfar = "%s"\n' "$invitation" >/etc/linebook/secrets.toml
chown root:linebook /etc/linebook/*.toml
chmod 0640 /etc/linebook/*.toml
systemctl enable --now linebook-probe.service linebook-dashboard.service
saw probe "$(active probe)"
saw dashboard "$(active dashboard)"
pid=$(systemctl show -P MainPID linebook-probe.service)
saw exposed_probe "$(exposed probe)"
saw exposed_dashboard "$(exposed dashboard)"
saw kind "$(systemctl show -P Type linebook-probe.service) $(systemctl show -P WatchdogUSec linebook-probe.service)"
saw account "$(stat -c %U "/proc/$pid")"
saw capabilities "$(awk '/^Cap(Eff|Prm|Bnd)/ {print $2}' "/proc/$pid/status" | sort -u | tr '\n' ' ')"
saw page "$(python3 -c 'import urllib.request as u; print(u.urlopen("http://127.0.0.1:8470/").status)')"
status() { setpriv --reuid linebook --regid linebook --clear-groups /opt/linebook/current/bin/linebook status /etc/linebook/site.toml; }
await sh -c 'setpriv --reuid linebook --regid linebook --clear-groups /opt/linebook/current/bin/linebook status /etc/linebook/site.toml | grep -q "1 of 1 train is under way"'
saw train $?
sleep 65 # a minute of it is on record
saw record_mode "$(stat -c '%U %a' /var/lib/linebook/linebook.db)"

# A probe that hangs is ended by its watchdog and comes back
mkdir -p /run/systemd/system/linebook-probe.service.d
printf '[Service]\nWatchdogSec=4\n' >/run/systemd/system/linebook-probe.service.d/soon.conf
systemctl daemon-reload
systemctl restart linebook-probe.service
kill -STOP "$(systemctl show -P MainPID linebook-probe.service)"
await sh -c '[ "$(systemctl show -P NRestarts linebook-probe.service)" -ge 1 ]'
saw restarted $?
await systemctl is-active -q linebook-probe.service
saw after_hanging "$(active probe)"
rm -r /run/systemd/system/linebook-probe.service.d
systemctl daemon-reload

# A mistake in the site file is not tried again and again
cp /etc/linebook/site.toml /root/site.toml
echo 'nonsense = 1' >>/etc/linebook/site.toml
systemctl restart linebook-probe.service
sleep 8
saw mistaken "$(systemctl show -P NRestarts linebook-probe.service) $(systemctl show -P ExecMainStatus linebook-probe.service)"
cp /root/site.toml /etc/linebook/site.toml
systemctl reset-failed
systemctl restart linebook-probe.service

# Upgrade, rollback, an upgrade that fails
changed 0.1.1
sed -i 's/^Description=.*/Description=A later one/' "$copy/deploy/linebook-probe.service"
manage upgrade
saw upgraded $?
saw upgraded_unit "$(systemctl show -P Description linebook-probe.service)"
saw upgraded_to "$(version)"
saw upgraded_probe "$(active probe)"
saw backups "$(find /var/lib/linebook -name 'before-upgrade-*.db' | wc -l)"
saw both_kept "$(find /opt/linebook/releases -mindepth 1 -maxdepth 1 | wc -l)"
manage rollback
saw rolled_back $?
saw rolled_back_to "$(version)"
saw rolled_back_probe "$(active probe)"
saw rolled_back_unit "$(systemctl show -P Description linebook-probe.service)"
manage rollback
saw rolled_back_twice $?
changed 0.1.2
echo 'raise SystemExit(1)' >>"$copy/probe/running.py"
manage upgrade
saw failing $?
saw failing_to "$(version)"
saw failing_probe "$(active probe)"
changed 0.1.3
sed -i 's/^dependencies = \[/&\n    "no-such-thing-as-this",/' "$copy/pyproject.toml"
manage upgrade
saw not_installable $?
saw not_installable_to "$(version)"
saw releases "$(find /opt/linebook/releases -mindepth 1 -maxdepth 1 | wc -l)"

# Back from a version whose tables are newer
changed 0.1.4
manage upgrade
systemctl stop linebook-probe.service linebook-dashboard.service
python3 -c 'import sqlite3; sqlite3.connect("/var/lib/linebook/linebook.db").execute("PRAGMA user_version = 99")'
manage rollback
saw from_newer $?
saw from_newer_probe "$(active probe)"
saw aside "$(find /var/lib/linebook -name '*.of-the-newer-version-*[0-9]' | wc -l)"
/opt/linebook/current/bin/linebook verify /var/lib/linebook/linebook.db >/root/out 2>&1
saw verified $?

manage remove
saw removed $?
saw left "$(find /opt/linebook /var/cache/linebook /etc/systemd/system/linebook-* 2>/dev/null | wc -l) $(find /var/lib/linebook -name linebook.db | wc -l)"
manage upgrade
saw upgrade_without $?

# An endpoint, behind its packet filter; root's own habit keeps what it makes to itself
umask 077
manage install-endpoint 127.0.0.1
saw endpoint_installed $?
invitation=$(cat /root/out)
nft -f "$copy/deploy/endpoint.nft"
nft -f "$copy/deploy/endpoint.nft"
saw filter_twice $?
saw endpoint "$(active endpoint)"
saw exposed_endpoint "$(exposed endpoint)"
pid=$(systemctl show -P MainPID linebook-endpoint.service)
saw endpoint_account "$(stat -c %U "/proc/$pid")"
setpriv --reuid nobody --clear-groups /opt/linebook/current/bin/linebook run rate --endpoint "$invitation" --seconds 5 --json >/root/run 2>/root/err
saw endpoint_run $?
saw endpoint_keys "$(stat -c '%U %a' /var/lib/linebook-endpoint)"
manage remove
manage install-endpoint 127.0.0.1
saw endpoint_again $?
saw endpoint_new_line "$(grep -cvF "$invitation" /root/out)"
measure() { setpriv --reuid nobody --clear-groups /opt/linebook/current/bin/linebook run train --endpoint "$invitation" --seconds 2 >/dev/null 2>/root/err; }
measure
saw endpoint_older_line $?
/opt/linebook/current/bin/linebook endpoint revoke /var/lib/linebook-endpoint --name probe 2>/root/err
sleep 5
measure
saw endpoint_revoked_by_root $?
systemctl restart linebook-endpoint.service
saw endpoint_after_root "$(active endpoint)"
manage remove --with-record
saw endpoint_removed $?
saw endpoint_left "$(find /opt/linebook /var/cache/linebook /var/lib/linebook /var/lib/linebook-endpoint /etc/linebook /etc/systemd/system/linebook-* 2>/dev/null | wc -l) $(grep -c '^linebook' /etc/passwd)"
saw end 0
systemctl --no-block poweroff

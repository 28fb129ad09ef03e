#!/usr/bin/env bash
# Checks deploy/ with the tools that will read it: unit, scrape configuration, alert rules and their tests, runbooks,
# manifests, and the metrics of a running server. `tests/checks/deploy.sh [PROGRAM]`; PROGRAM is coldbrake-server, by default
# the one in target/release, else in target/debug; coldbrake, beside it, makes the certificates. Exits with 0 when all is well.
# Everything it starts it ends.
set -uo pipefail
cd "$(dirname "$0")/../.."

program=${1:-}
for candidate in target/release/coldbrake-server target/debug/coldbrake-server; do
  [ -n "$program" ] || { [ -x "$candidate" ] && program=$candidate; }
done
client=$(dirname "${program:-.}")/coldbrake
for needed in "$program" "$client"; do
  [ -x "$needed" ] || { echo "a program is missing: build it first (cargo build --release -p coldbrake-server -p coldbrake)" >&2; exit 1; }
done

# The modules come from Debian, for Debian's own Python.
python=/usr/bin/python3
missing=()
command -v promtool >/dev/null || missing+=(prometheus)
command -v systemd-analyze >/dev/null || missing+=(systemd)
command -v curl >/dev/null || missing+=(curl)
$python -c 'import prometheus_client.openmetrics.parser' 2>/dev/null || missing+=(python3-prometheus-client)
$python -c 'import yaml' 2>/dev/null || missing+=(python3-yaml)
if [ ${#missing[@]} -gt 0 ]; then
  sudo=
  [ "$(id -u)" -eq 0 ] || sudo="sudo -n"
  # RUNLEVEL=1: the packages come with services, which are not wanted here.
  { $sudo apt-get update -q && $sudo env RUNLEVEL=1 DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends "${missing[@]}"; } >/dev/null || {
    echo "these packages are missing and cannot be installed: ${missing[*]}" >&2
    exit 1
  }
fi

work=$(mktemp -d)
server=
clean_up() {
  if [ -n "$server" ]; then
    kill "$server" 2>/dev/null
    wait "$server" 2>/dev/null
  fi
  rm -rf "$work"
}
trap clean_up EXIT
trap 'exit 130' INT TERM

failed=0
# check TITLE COMMAND...: says what the command said only when it failed.
check() {
  local title=$1
  shift
  if "$@" >"$work/out" 2>&1; then
    echo "ok      $title"
  else
    echo "FAILED  $title"
    sed 's/^/        /' "$work/out"
    failed=1
  fi
}

# The unit names a program that is not installed here.
unit() {
  sed "s|^ExecStart=/usr/bin/coldbrake-server|ExecStart=$(realpath "$program")|; /^Documentation=/d" \
    deploy/coldbrake-server.service >"$work/coldbrake-server.service"
  systemd-analyze verify "$work/coldbrake-server.service"
}

# The unit's own environment and command line, with the paths of this machine.
unit_command() {
  local line
  line=$(sed -n 's/^ExecStart=//p' deploy/coldbrake-server.service)
  line=${line/#\/usr\/bin\/coldbrake-server/$(realpath "$program")}
  line=${line/\/etc\/coldbrake\/coldbrake.toml/deploy/coldbrake.example.toml}
  local variables
  mapfile -t variables < <(sed -n 's/^Environment=//p' deploy/coldbrake-server.service)
  # shellcheck disable=SC2086 # the line is words
  env -i "${variables[@]}" $line --print-config | grep -q 'directory = "/var/lib/coldbrake/store"'
}

# start OPTIONS...: starts the server; sets $admin.
start() {
  "$program" --listen 127.0.0.1:0 --admin-listen 127.0.0.1:0 --log-format json "$@" 2>"$work/log" &
  server=$!
  admin=
  for _ in $(seq 200); do
    admin=$(sed -n 's/.*"admin":"\([^"]*\)".*/\1/p' "$work/log")
    [ -n "$admin" ] && curl -sf "http://$admin/readyz" >/dev/null && return 0
    kill -0 "$server" 2>/dev/null || break
    sleep 0.1
  done
  cat "$work/log"
  return 1
}

strict() {
  $python - "$1" <<'P'
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families
families = list(text_string_to_metric_families(open(sys.argv[1]).read()))
assert len(families) > 20, f"only {len(families)} families"
print(len(families))
P
}

# Every series that a rule reads is one that the server tells.
series_of_rules() {
  $python - deploy/alerts.yml "$1" <<'P'
import re, sys, yaml
text = open(sys.argv[2]).read()
told = set(re.findall(r"^(coldbrake_\w+)", text, re.M))
used = set()
for group in yaml.safe_load(open(sys.argv[1]))["groups"]:
    for rule in group["rules"]:
        used |= set(re.findall(r"coldbrake_\w+", rule["expr"]))
assert used, "the rules read nothing"
assert used <= told, f"the server does not tell {sorted(used - told)}"
P
}

# Each alert has its runbook, a test that fires it, and nothing is left over.
runbooks() {
  $python - <<'P'
import re, yaml
rules = [r for g in yaml.safe_load(open("deploy/alerts.yml"))["groups"] for r in g["rules"]]
names = {r["alert"] for r in rules}
headings = set(re.findall(r"^## (\w+)$", open("deploy/runbooks.md").read(), re.M))
assert names == headings, f"alerts and runbooks differ: {sorted(names ^ headings)}"
for r in rules:
    want = f"deploy/runbooks.md#{r['alert'].lower()}"
    assert r["annotations"]["runbook"] == want, f"{r['alert']}: the runbook is not {want}"
fired = {c["alertname"] for t in yaml.safe_load(open("deploy/alerts_test.yml"))["tests"] for c in t["alert_rule_test"] if c.get("exp_alerts")}
assert fired == names, f"no test fires {sorted(names - fired)}"
P
}

# Names and ports of the manifest belong together; images, probes and rights are as they should be.
manifest() {
  $python - <<'P'
import yaml
documents = [d for d in yaml.safe_load_all(open("deploy/kubernetes.yaml")) if d]
kinds = {d["kind"]: d for d in documents}
assert set(kinds) == {"StatefulSet", "Service", "NetworkPolicy"}, sorted(kinds)
stateful = kinds["StatefulSet"]["spec"]
pod = stateful["template"]
assert stateful["replicas"] == 1, "one store, one server"
labels = pod["metadata"]["labels"]
assert stateful["selector"]["matchLabels"].items() <= labels.items()
assert kinds["Service"]["spec"]["selector"].items() <= labels.items()
assert kinds["NetworkPolicy"]["spec"]["podSelector"]["matchLabels"].items() <= labels.items()
(container,) = pod["spec"]["containers"]
ports = {p["name"]: p["containerPort"] for p in container["ports"]}
assert ports == {"grpc": 7450, "admin": 7451}, ports
environment = {e["name"]: e["value"] for e in container["env"]}
assert environment["COLDBRAKE_SERVER_LISTEN"].endswith(":7450")
assert environment["COLDBRAKE_SERVER_ADMIN_LISTEN"].endswith(":7451")
for probe, path in (("startupProbe", "/readyz"), ("livenessProbe", "/livez"), ("readinessProbe", "/readyz")):
    assert container[probe]["httpGet"] == {"path": path, "port": "admin"}, probe
for port in kinds["Service"]["spec"]["ports"]:
    assert port["targetPort"] in ports, port
rights = container["securityContext"]
assert rights["readOnlyRootFilesystem"] and not rights["allowPrivilegeEscalation"] and rights["capabilities"]["drop"] == ["ALL"]
assert pod["spec"]["securityContext"]["runAsNonRoot"] and pod["spec"]["securityContext"]["seccompProfile"] == {"type": "RuntimeDefault"}
mounts = {m["name"]: m for m in container["volumeMounts"]}
assert environment["COLDBRAKE_SERVER_STORE_DIRECTORY"].startswith(mounts["data"]["mountPath"])
assert [c["metadata"]["name"] for c in stateful["volumeClaimTemplates"]] == ["data"]
# Nobody without a certificate is let in, and the certificates are where the server looks for them.
assert "COLDBRAKE_SERVER_INSECURE_WITHOUT_TLS" not in environment
for key in ("CERTIFICATE", "KEY", "CLIENT_AUTHORITIES"):
    assert environment["COLDBRAKE_SERVER_TLS_" + key].startswith(mounts["tls"]["mountPath"] + "/"), key
(secret,) = pod["spec"]["volumes"]
assert secret["name"] == "tls" and secret["secret"]["defaultMode"] == 0o440 and mounts["tls"]["readOnly"]
assert pod["spec"]["terminationGracePeriodSeconds"] > 10, "less than shutdown_grace"
for name in environment:
    print(name)
P
}

# The variables of the manifest are keys that the server knows.
manifest_is_read() {
  local variables
  mapfile -t variables < <($python -c '
import yaml
for d in yaml.safe_load_all(open("deploy/kubernetes.yaml")):
    if d and d["kind"] == "StatefulSet":
        for e in d["spec"]["template"]["spec"]["containers"][0]["env"]:
            print(e["name"] + "=" + e["value"])')
  [ ${#variables[@]} -gt 3 ] && env -i "${variables[@]}" "$program" --print-config
}

check "the unit is well formed" unit
# What the unit does on a reload leaves the server running, with its certificates read again.
reload() {
  local command
  command=$(sed -n 's/^ExecReload=//p' deploy/coldbrake-server.service)
  [ -n "$command" ] || { echo "the unit has no ExecReload"; return 1; }
  MAINPID=$server bash -c "$command" || return 1
  for _ in $(seq 50); do
    if grep -q 'certificates read' "$work/log"; then
      kill -0 "$server" && curl -sf "http://$admin/readyz" >/dev/null
      return
    fi
    sleep 0.1
  done
  tail -5 "$work/log"
  return 1
}

check "the unit's exposure is at most 1.5" systemd-analyze security --offline=true --threshold=15 deploy/coldbrake-server.service
check "the unit's command line and environment are accepted" unit_command
check "the unit's command line starts, is ready and ends, under restrictions like the unit's" bash tests/checks/unit.sh "$program"
check "the scrape configuration" promtool check config deploy/prometheus.yml
check "the alert rules" promtool check rules deploy/alerts.yml
check "the alert rules fire and stay silent as they should" promtool test rules deploy/alerts_test.yml
check "each alert has its runbook and its test" runbooks
check "the manifest holds together" manifest
check "the manifest's environment is accepted" manifest_is_read

# With TLS, or nothing would be told of certificates.
check "certificates for it are made" "$client" certificates "$work/pki"
check "a server starts on a new store, with TLS, and is ready" start --store-directory "$work/store" --tls-certificate "$work/pki/server.pem" \
  --tls-key "$work/pki/server-key.pem" --tls-client-authorities "$work/pki/authority.pem" --tls-trust-domain fleet.example
if [ -n "$admin" ]; then
  curl -s "http://$admin/metrics" >"$work/metrics"
  curl -s -H 'Accept: text/plain;version=0.0.4' "http://$admin/metrics" >"$work/metrics.txt"
  check "the metrics are OpenMetrics to a strict reader" strict "$work/metrics"
  check "the metrics pass the lint of promtool" promtool check metrics <"$work/metrics.txt"
  check "the rules read nothing that the server does not tell" series_of_rules "$work/metrics.txt"
  check "the unit's reload has the certificates read" reload
fi
exit "$failed"

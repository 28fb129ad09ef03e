//! Certificates made by the program, a server that takes them, and the program as a client of it.

use std::{
    fs,
    os::unix::fs::PermissionsExt as _,
    path::{Path, PathBuf},
    process::{Command, Output},
};

use coldbrake_server::{Config, ServerHandle};

fn coldbrake(words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_coldbrake"));
    command.env_clear().args(words);
    command
}

fn texts(output: &Output) -> (Option<i32>, String, String) {
    (
        output.status.code(),
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

/// Runs the command in a directory of certificates.
fn certificates(directory: &Path, words: &[&str]) -> (Option<i32>, String, String) {
    let mut all = vec!["certificates", directory.to_str().unwrap()];
    all.extend(words);
    texts(&coldbrake(&all).output().unwrap())
}

fn config(directory: &Path) -> Config {
    let mut config = Config::in_process();
    config.tls.certificate = directory.join("server.pem");
    config.tls.key = directory.join("server-key.pem");
    config.tls.client_authorities = directory.join("authority.pem");
    "fleet.example".clone_into(&mut config.tls.trust_domain);
    config
}

/// `coldbrake` with the certificate of this name out of one directory, trusting the authority of another.
fn client(
    uri: &str,
    trusted: &Path,
    mine: Option<(&Path, &str)>,
    words: &[&str],
) -> (Option<i32>, String, String) {
    let mut command = coldbrake(words);
    command
        .env("COLDBRAKE_SERVER", uri)
        .env("COLDBRAKE_AUTHORITY", trusted.join("authority.pem"));
    if let Some((directory, stem)) = mine {
        let file = |ending: &str| -> PathBuf { directory.join(format!("{stem}{ending}")) };
        command
            .env("COLDBRAKE_CERTIFICATE", file(".pem"))
            .env("COLDBRAKE_KEY", file("-key.pem"));
    }
    texts(&command.output().unwrap())
}

#[test]
fn what_is_made_lets_each_do_what_is_theirs_and_errors_say_what_to_do() {
    let files = tempfile::tempdir().unwrap();
    let (ours, theirs) = (files.path().join("ours"), files.path().join("theirs"));
    let people = [
        "--vehicle",
        "van-07",
        "--operator",
        "tarek",
        "--engineer",
        "mira",
        "--administrator",
        "ines",
    ];
    let (code, out, err) = certificates(&ours, &people);
    assert_eq!(code, Some(0), "{err}");
    assert!(
        out.contains("For development only") && out.contains("COLDBRAKE_KEY="),
        "{out}"
    );
    assert_eq!(certificates(&theirs, &["--engineer", "mira"]).0, Some(0));

    let runtime = tokio::runtime::Runtime::new().unwrap();
    let server = runtime.block_on(ServerHandle::start(config(&ours))).unwrap();
    let uri = server.uri();
    let template = files.path().join("van.toml");
    fs::write(&template, coldbrake::command::classes::TEMPLATE).unwrap();
    let put = ["classes", "put", template.to_str().unwrap()];

    let (code, _, err) = client(&uri, &ours, Some((&ours, "engineer-mira")), &put);
    assert_eq!(code, Some(0), "{err}");
    let audit = |words: &[&str]| {
        let words = [&["audit"], words].concat();
        client(&uri, &ours, Some((&ours, "administrator-ines")), &words)
    };
    let (code, out, err) = audit(&["--since", "1h", "--who", "mira", "--format", "json"]);
    assert_eq!(code, Some(0), "{err}");
    let told: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(told["entries"].as_array().unwrap().len(), 1, "{out}");
    assert_eq!(told["entries"][0]["who"], "person/mira/role/engineer");
    assert_eq!(told["entries"][0]["action"], "PutVehicleClass");
    let (code, out, err) = audit(&["--who", "tarek"]);
    assert!(
        code == Some(0) && out.is_empty() && err.contains("no change matches"),
        "{out}{err}"
    );
    let (code, out, err) = client(&uri, &ours, Some((&ours, "operator-tarek")), &["status"]);
    assert!(code == Some(0) && out.contains("https://"), "{out}{err}");

    for (what, outcome, words) in [
        (
            "a role that may not",
            client(&uri, &ours, Some((&ours, "operator-tarek")), &put),
            &[
                "the role operator may not call",
                "it takes engineer",
                "--certificate FILE",
            ][..],
        ),
        (
            "an engineer who wants the log of changes",
            client(&uri, &ours, Some((&ours, "engineer-mira")), &["audit"]),
            &["the role engineer may not call", "it takes administrator"],
        ),
        (
            "no certificate",
            client(&uri, &ours, None, &["status"]),
            &[
                "lets nobody in without a certificate",
                "--certificate FILE --key FILE",
            ],
        ),
        (
            "a certificate of another authority",
            client(&uri, &ours, Some((&theirs, "engineer-mira")), &["status"]),
            &[
                "theirs/engineer-mira.pem comes from an authority that the server",
                "tls.client_authorities",
            ],
        ),
        (
            "the certificate of the server",
            client(&uri, &ours, Some((&ours, "server")), &["status"]),
            &["ours/server.pem", "use the certificate of a client"],
        ),
        (
            "a server of another authority",
            client(&uri, &theirs, Some((&ours, "engineer-mira")), &["status"]),
            &[
                "comes from an authority that is not trusted here",
                "--authority FILE",
            ],
        ),
    ] {
        let (code, out, err) = outcome;
        assert_eq!(code, Some(5), "{what}: {out}{err}");
        for word in words {
            assert!(err.contains(word), "{what}: no `{word}` in\n{err}");
        }
    }

    // A name that the certificate does not hold.
    let other_name = uri.replace("127.0.0.1", "127.0.0.2");
    drop(server);
    let mut elsewhere = config(&ours);
    elsewhere.listen = "127.0.0.2:0".parse().unwrap();
    let server = runtime.block_on(ServerHandle::start(elsewhere)).unwrap();
    assert!(other_name.contains("127.0.0.2"));
    let (code, _, err) = client(&server.uri(), &ours, Some((&ours, "engineer-mira")), &["status"]);
    assert!(code == Some(5) && err.contains("is for other names"), "{err}");

    // The wrong scheme, either way.
    let plain = server.uri().replace("https:", "http:");
    let (code, _, err) = texts(&coldbrake(&["status", "--server", &plain]).output().unwrap());
    assert!(code == Some(4) && err.contains("https://"), "{err}");
    let without = runtime
        .block_on(ServerHandle::start(Config::in_process()))
        .unwrap();
    let wrong = without.uri().replace("http:", "https:");
    let (code, _, err) = client(&wrong, &ours, None, &["status"]);
    assert!(
        code == Some(4) && err.contains("does not speak TLS") && err.contains("http://"),
        "{err}"
    );

    // Words that do not fit together.
    let (code, _, err) = texts(
        &coldbrake(&["status", "--server", "https://localhost:1"])
            .output()
            .unwrap(),
    );
    assert!(code == Some(2) && err.contains("needs --authority"), "{err}");
}

#[test]
fn keys_are_for_their_owner_and_no_file_is_written_over() {
    let files = tempfile::tempdir().unwrap();
    let pki = files.path().join("pki");
    assert_eq!(certificates(&pki, &["--vehicle", "van-07"]).0, Some(0));
    let mode = |name: &str| fs::metadata(pki.join(name)).unwrap().permissions().mode() & 0o777;
    for name in ["authority-key.pem", "server-key.pem", "vehicle-van-07-key.pem"] {
        assert_eq!(mode(name), 0o600, "{name}");
    }

    let before = fs::read(pki.join("vehicle-van-07.pem")).unwrap();
    let (code, _, err) = certificates(&pki, &["--vehicle", "van-08", "--vehicle", "van-07"]);
    assert!(
        code == Some(6) && err.contains("vehicle-van-07.pem is there already"),
        "{err}"
    );
    assert!(err.contains("nothing was written") && !pki.join("vehicle-van-08.pem").exists());
    assert_eq!(fs::read(pki.join("vehicle-van-07.pem")).unwrap(), before);

    // More of the same authority.
    let (code, out, err) = certificates(&pki, &["--vehicle", "van-08", "--format", "json"]);
    assert_eq!(code, Some(0), "{err}");
    let made: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(made["certificates"].as_array().unwrap().len(), 1);
    assert_eq!(made["certificates"][0]["holder"], "vehicle van-08");

    for (words, word) in [
        (&["--vehicle", "Van 7"][..], "must be 1 to 64 characters"),
        (
            &["--trust-domain", "other.example", "--vehicle", "a"],
            "is of the trust domain `fleet.example`",
        ),
        (&["--name", "https://a:1"], "neither the name of a host"),
        (&["--vehicle", "a", "--vehicle", "a"], "is asked for twice"),
        (&[], "no certificate is asked for"),
    ] {
        let (code, _, err) = certificates(&pki, words);
        assert!(
            matches!(code, Some(2 | 6)) && err.contains(word),
            "{words:?}: {err}"
        );
    }
    fs::remove_file(pki.join("authority-key.pem")).unwrap();
    let (code, _, err) = certificates(&pki, &["--vehicle", "van-09"]);
    assert!(code == Some(6) && err.contains("half of an authority"), "{err}");
}

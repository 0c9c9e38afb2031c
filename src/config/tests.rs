//! Where settings come from, and which are refused.

use super::*;

fn with(vars: &[(&str, &str)]) -> Result<Loaded, Error> {
    let vars = vars
        .iter()
        .map(|(k, v)| ((*k).to_owned(), (*v).to_owned()))
        .collect();
    load(None, &Surroundings { vars }, &[])
}

#[test]
fn the_default_file_has_exactly_the_keys_of_the_settings_and_a_comment_for_each() {
    let defaults = Config::defaults().unwrap();
    let written: Table = toml::to_string(&defaults).unwrap().parse().unwrap();
    let file: Table = DEFAULT_FILE.parse().unwrap();
    assert_eq!(written, file);
    let mut commented = false;
    for line in DEFAULT_FILE.lines() {
        if line.contains(" = ") && !line.starts_with('#') {
            assert!(commented, "{line} has no comment");
        }
        commented = line.starts_with('#') || (commented && !line.is_empty());
    }
}

#[test]
fn later_sources_win_and_say_where_they_came_from() {
    let loaded = with(&[
        ("RESTVOLT_INTAKE__WRITERS", "7"),
        ("DATABASE_URL", "postgres://a"),
    ]);
    let loaded = loaded.unwrap();
    assert_eq!(loaded.config.intake.writers, 7);
    assert_eq!(loaded.config.database.url, "postgres://a");
    assert_eq!(loaded.origins["intake.writers"], "RESTVOLT_INTAKE__WRITERS");
    assert_eq!(loaded.origins["log.format"], "default");
    let flags = [("intake.writers", "9".to_owned())];
    let flagged = load(None, &Surroundings::default(), &flags).unwrap();
    assert_eq!(flagged.config.intake.writers, 9);
}

#[test]
fn an_unknown_setting_is_an_error_with_the_nearest_name() {
    let error = with(&[("RESTVOLT_INTAKE__WRITER", "7")])
        .unwrap_err()
        .to_string();
    assert!(error.contains("intake.writers"), "{error}");
    let error = with(&[("RESTVOLT_INTAKE__WRITERS", "many")])
        .unwrap_err()
        .to_string();
    assert!(error.contains("many"), "{error}");
    assert!(with(&[("RESTVOLT_INTAKE__WRITERS", "0")]).is_err());
}

#[test]
fn clear_text_off_the_machine_is_refused_without_consent() {
    let open = ("RESTVOLT_LISTEN__GRPC", "0.0.0.0:7400");
    let error = with(&[open]).unwrap_err().to_string();
    assert!(error.contains("tls.cert_file"), "{error}");
    assert!(with(&[open, ("RESTVOLT_LISTEN__ALLOW_PLAINTEXT", "I understand")]).is_ok());
}

#[test]
fn passwords_are_not_shown() {
    let shown = redact_url("postgres://rv:secret@db/restvolt");
    assert_eq!(shown, "postgres://rv:…@db/restvolt");
    assert_eq!(redact_url("postgres://rv@db/x"), "postgres://rv@db/x");
}

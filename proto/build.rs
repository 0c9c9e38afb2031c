//! Compiles the contract with a pure-Rust compiler; only the service needs it. Notes the commit.

fn main() {
    println!("cargo:rerun-if-changed=proto");
    println!("cargo:rustc-env=RESTVOLT_COMMIT={}", commit());
    #[cfg(feature = "service")]
    if let Err(error) = contract::compile() {
        println!("cargo:error=the protos do not compile: {error}");
        std::process::exit(1);
    }
}

/// The commit a release is built from. A debug build names none: it would be built anew for each commit,
/// or tell an old one.
fn commit() -> String {
    if std::env::var_os("PROFILE").is_none_or(|profile| profile != "release") {
        return "debug build".to_owned();
    }
    println!("cargo:rerun-if-changed=.git/logs/HEAD");
    let mut git = std::process::Command::new("git");
    let told = git.args(["rev-parse", "--short=12", "HEAD"]).output().ok();
    let told = told.filter(|told| told.status.success());
    let commit = told.and_then(|told| String::from_utf8(told.stdout).ok());
    commit.map_or_else(
        || "commit not known".to_owned(),
        |commit| format!("commit {}", commit.trim()),
    )
}

#[cfg(feature = "service")]
mod contract {
    use std::{error::Error, fs, path::PathBuf};

    use protox::prost::Message as _;

    const FILES: [&str; 8] = [
        "restvolt/v1/alarm.proto",
        "restvolt/v1/telemetry.proto",
        "restvolt/v1/bench.proto",
        "restvolt/v1/advice.proto",
        "restvolt/v1/recovery.proto",
        "restvolt/v1/watch.proto",
        "restvolt/v1/registry.proto",
        "restvolt/v1/words.proto",
    ];

    pub(crate) fn compile() -> Result<(), Box<dyn Error>> {
        let mut compiler = protox::Compiler::new(["proto"])?;
        compiler.include_source_info(true).include_imports(true);
        compiler.open_files(FILES)?;
        let set = compiler.file_descriptor_set();
        let out = std::env::var_os("OUT_DIR")
            .map(PathBuf::from)
            .ok_or("cargo sets OUT_DIR")?;
        fs::write(out.join("descriptor.bin"), set.encode_to_vec())?;
        tonic_prost_build::configure()
            .include_file("api.rs")
            .compile_fds(set)?;
        Ok(())
    }
}

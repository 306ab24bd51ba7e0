//! The interface that the pages use: one file per resource.
//!
//! Each address says whom it is open to, see [`gate`].

mod car;
mod cases;
mod drives;
pub(crate) mod gate;
mod lists;
mod people;
mod pictures;
mod report;
mod session;
mod settings;
mod uploads;

use axum::Router;
use axum::extract::DefaultBodyLimit;

use self::gate::{Gate, Resource, Routes};
use crate::app::App;
use crate::failure::Failure;
use crate::{assets, stream};

/// Most bytes of a request's body where its resource says nothing else.
const MAX_BODY: usize = 1 << 20;

fn routes() -> Routes {
    session::routes()
        .and(car::routes())
        .and(cases::routes())
        .and(drives::routes())
        .and(pictures::routes())
        .and(lists::routes())
        .and(people::routes())
        .and(report::routes())
        .and(settings::routes())
        .and(uploads::routes())
        .get(Gate::Joined, "/stream", stream::socket::open)
}

/// Everything that can be asked of the workbench under `/api`, and whom it is open to.
#[must_use]
pub fn interface() -> Vec<Resource> {
    routes().listed()
}

pub(crate) fn router(app: App) -> Router {
    let resources =
        routes().into_router(&app).fallback(async || Failure::missing("the workbench has no such resource"));
    Router::new().nest("/api", resources).fallback(assets::serve).layer(DefaultBodyLimit::max(MAX_BODY)).with_state(app)
}

#[cfg(test)]
mod tests {
    /// The types that the pages are written against.
    const TYPES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../web/src/api/types.ts");

    /// `WITNESS_WRITE=1 cargo test -p server` writes them anew.
    #[test]
    fn the_types_of_the_pages_are_those_of_the_interface() {
        let config = ts_rs::Config::default();
        let mut module = wire::typescript().replace("// Made from crates/wire; do not edit.", "");
        module += "\nexport ";
        module += &<serde_json::Value as ts_rs::TS>::decl(&config);
        module += "\n";
        macro_rules! declare {
            ($($name:ty),* $(,)?) => {
                $(
                    module += "\nexport ";
                    module += &<$name as ts_rs::TS>::decl(&config);
                    module += "\n";
                )*
            };
        }
        declare!(
            crate::access::Role,
            crate::access::ClientJson,
            crate::access::PeopleJson,
            crate::app::StateJson,
            crate::failure::FailureJson,
            crate::stream::socket::FromPage,
            crate::stream::socket::ToPage,
            super::session::SessionJson,
            super::session::JoinJson,
            super::people::InviteJson,
            super::people::InvitationJson,
            super::people::HandOverJson,
            super::people::RenameJson,
            super::people::TakenJson,
            super::drives::DriveJson,
            super::drives::ExaminedJson,
            crate::shown::Stage,
            crate::shown::CarJson,
            crate::shown::ConnectedJson,
            crate::shown::RecordingJson,
            crate::shown::CommandJson,
            super::cases::NewCaseJson,
            super::cases::EntryJson,
            super::car::ConnectJson,
            super::car::RecordJson,
            super::car::ChangeJson,
            super::car::MarkJson,
            super::car::CommandWishJson,
            super::car::HowJson,
            super::car::ClearJson,
            crate::clearing::ClearingJson,
            super::lists::AdapterJson,
            super::settings::ShopJson,
            super::settings::StorageJson,
            super::settings::DefinitionJson,
        );
        let wanted =
            format!("// Made from the types in crates/wire and crates/server by their tests; do not edit.\n{module}");
        if std::env::var_os("WITNESS_WRITE").is_some() {
            std::fs::write(TYPES, &wanted).unwrap();
        }
        let kept = std::fs::read_to_string(TYPES).unwrap_or_default();
        assert!(
            kept == wanted,
            "run `WITNESS_WRITE=1 cargo test -p server` and look at what it changed in web/src/api"
        );
    }
}

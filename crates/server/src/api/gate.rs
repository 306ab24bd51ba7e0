//! Who may ask for what: an address of the interface cannot be given without saying whom it is open to.
//!
//! The check runs before anything of the request's body is read.

use axum::Router;
use axum::extract::{FromRequestParts, Request, State};
use axum::handler::Handler;
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, delete, get, post, put};

use crate::access::Who;
use crate::app::App;
use crate::failure::Failure;

/// Whom a resource is open to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gate {
    /// Anybody who reaches the workbench: it tells who a page is, and lets it join.
    Anyone,
    /// Every page that joined, also one that was invited only to look on.
    Joined,
    /// A page that was invited to work.
    Worker,
    /// The page that holds the car.
    Holder,
    /// A page at the machine itself.
    Bench,
}

/// One thing that can be asked of the workbench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Resource {
    /// Method of HTTP.
    pub method: &'static str,
    /// Its address, with `{name}` for what varies.
    pub path: &'static str,
    /// Whom it is open to.
    pub gate: Gate,
}

/// Resources with what answers them.
#[derive(Default)]
pub(crate) struct Routes(Vec<(Resource, MethodRouter<App>)>);

impl Routes {
    pub(crate) fn get<H: Handler<T, App>, T: 'static>(self, gate: Gate, path: &'static str, handler: H) -> Self {
        self.with(Resource { method: "GET", path, gate }, get(handler))
    }

    pub(crate) fn post<H: Handler<T, App>, T: 'static>(self, gate: Gate, path: &'static str, handler: H) -> Self {
        self.with(Resource { method: "POST", path, gate }, post(handler))
    }

    pub(crate) fn put<H: Handler<T, App>, T: 'static>(self, gate: Gate, path: &'static str, handler: H) -> Self {
        self.with(Resource { method: "PUT", path, gate }, put(handler))
    }

    pub(crate) fn delete<H: Handler<T, App>, T: 'static>(self, gate: Gate, path: &'static str, handler: H) -> Self {
        self.with(Resource { method: "DELETE", path, gate }, delete(handler))
    }

    fn with(mut self, resource: Resource, answer: MethodRouter<App>) -> Self {
        self.0.push((resource, answer));
        self
    }

    /// Those of another file too.
    pub(crate) fn and(mut self, other: Self) -> Self {
        self.0.extend(other.0);
        self
    }

    pub(crate) fn listed(&self) -> Vec<Resource> {
        self.0.iter().map(|(resource, _)| *resource).collect()
    }

    pub(crate) fn into_router(self, app: &App) -> Router<App> {
        self.0.into_iter().fold(Router::new(), |router, (resource, answer)| {
            let guarded = answer.route_layer(from_fn_with_state((app.clone(), resource.gate), admit));
            router.route(resource.path, guarded)
        })
    }
}

async fn admit(State((app, gate)): State<(App, Gate)>, request: Request, next: Next) -> Response {
    let (mut parts, body) = request.into_parts();
    if gate != Gate::Anyone {
        let who = Who::from_request_parts(&mut parts, &app).await;
        if let Err(failure) = who.and_then(|who| may_pass(&app, who, gate)) {
            return failure.into_response();
        }
    }
    next.run(Request::from_parts(parts, body)).await
}

fn may_pass(app: &App, who: Who, gate: Gate) -> Result<(), Failure> {
    match gate {
        Gate::Anyone | Gate::Joined => Ok(()),
        Gate::Worker => who.must_work(),
        Gate::Holder => app.access().must_hold(who),
        Gate::Bench => who.must_be_bench(),
    }
}

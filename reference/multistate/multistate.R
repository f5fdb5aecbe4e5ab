# Multi-state panel models by R's msm, on panel.csv. Run: Rscript multistate.R > multistate.csv
suppressMessages(library(msm))
d <- read.csv("panel.csv")
say <- function(task, what, x) { x <- as.vector(t(x)); cat(sprintf("%s,%s,%d,%.15g\n", task, what, seq_along(x) - 1, x), sep = "") }
Q <- rbind(c(0, .5, 0, .06), c(.4, 0, .5, .08), c(0, .25, 0, .35), c(0, 0, 0, 0))
tight <- list(reltol = 1e-16, maxit = 5000, fnscale = 3000)
report <- function(task, m, at_start) {
  say(task, "minus2loglik", m$minus2loglik); say(task, "estimates", m$estimates); say(task, "se", sqrt(diag(m$covmat)))
  say(task, "pmatrix", pmatrix.msm(m, t = 1.5, covariates = 0)); say(task, "sojourn", as.matrix(sojourn.msm(m, covariates = 0)))
  say(task, "minus2loglik_at_start", at_start)
}
fit <- function(task, ...) {
  call <- c(list(quote(msm)), match.call(expand.dots = FALSE)$..., list(center = FALSE))
  m <- eval(as.call(c(call, list(control = quote(tight)))), parent.frame())
  report(task, m, eval(as.call(c(call, list(fixedpars = TRUE))), parent.frame())$minus2loglik)
  invisible(m)
}
cat("task,quantity,index,value\n")
p <- fit("plain", state ~ visit, subject = subject, data = d, qmatrix = Q)
times <- c(0, 1, 2, 3, 4); pr <- prevalence.msm(p, times = times)
say("plain", "prevalence_observed", pr$Observed[, 1:4]); say("plain", "prevalence_expected", pr$Expected[, 1:4])
c1 <- fit("covariates", state ~ visit, subject = subject, data = d, qmatrix = Q, covariates = ~ group + dose)
for (n in c("group", "dose")) say("covariates", paste0("hazard_", n), hazard.msm(c1)[[n]])
c2 <- fit("constraint", state ~ visit, subject = subject, data = d, qmatrix = Q, covariates = ~ group + dose,
    constraint = list(dose = c(1, 2, 3, 3, 2, 3, 2)))
c3 <- fit("some", state ~ visit, subject = subject, data = d, qmatrix = Q, covariates = list("1-2" = ~ group + dose, "2-3" = ~ dose))
e <- fit("exact", state ~ exact, subject = subject, data = d, qmatrix = Q, deathexact = 4)
e2 <- fit("exact_covariates", state ~ exact, subject = subject, data = d, qmatrix = Q, deathexact = 4, covariates = ~ group)
k <- fit("hidden", seen ~ visit, subject = subject, data = d, qmatrix = Q, censor = c(98, 99), censor.states = list(c(2, 3), c(1, 2, 3)))
k2 <- fit("hidden_exact", seen ~ exact, subject = subject, data = d, qmatrix = Q, deathexact = 4, censor = c(98, 99),
    censor.states = list(c(2, 3), c(1, 2, 3)), covariates = ~ group)
# sandwich errors of the plain model by cluster: scores by central differences of each cluster's own log-likelihood
part <- function(b, v) { q <- Q; q[Q > 0] <- 0; q[cbind(c(1, 1, 2, 2, 2, 3, 3), c(2, 4, 1, 3, 4, 2, 4))] <- exp(b)
  -0.5 * msm(state ~ visit, subject = subject, data = v, qmatrix = q, fixedpars = TRUE)$minus2loglik }
scores <- t(sapply(split(d, d$cluster), function(v) sapply(1:7, function(j) { h <- replace(numeric(7), j, 1e-4)
  (part(p$estimates + h, v) - part(p$estimates - h, v)) / 2e-4 })))
groups <- nrow(scores); sandwich <- p$covmat %*% crossprod(scores) %*% p$covmat * groups / (groups - 1)
say("plain", "cluster_scores", scores); say("plain", "sandwich_se", sqrt(diag(sandwich)))
# first visits of the later part of each series: some begin with a state that is not known
l <- d[ave(d$visit, d$subject, FUN = seq_along) > 2, ]; l <- l[ave(l$visit, l$subject, FUN = length) > 1, ]
k3 <- fit("hidden_first", seen ~ visit, subject = subject, data = l, qmatrix = Q, censor = c(98, 99), censor.states = list(c(2, 3), c(1, 2, 3)))
# the heart transplant data of the msm manual, optimised tightly
Qc <- rbind(c(0, .25, 0, .25), c(.166, 0, .166, .166), c(0, .25, 0, .25), c(0, 0, 0, 0))
v <- fit("transplants", state ~ years, subject = PTNUM, data = cav, qmatrix = Qc, deathexact = 4)
cat(sprintf("# msm %s, %s\n", packageVersion("msm"), R.version.string), file = stderr())

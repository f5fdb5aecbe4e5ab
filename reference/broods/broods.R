# Crowding of broods by base R alone: the beta-binomial likelihood of p = p0 / (1 + (x / c)^b) by optim, a nonlinear
# least-squares fit of the same curve to survivors per area, and means by glm.
say <- function(name, value) cat(name, format(value, digits = 13), "\n")
set.seed(5)
k <- 180
area <- round(exp(rnorm(k, 5, .5)), 1)
n <- rpois(k, area / 100 * 8 * exp(rnorm(k, 0, .6))) + 1
x <- n / area
p <- .75 / (1 + (x / .08)^2.2)
y <- rbinom(k, n, rbeta(k, p * 9, (1 - p) * 9))
block <- rep(1:12, each = 15)
ants <- rbinom(k, 1, .5)
eggs <- rpois(k, exp(.3 - .5 * ants) * (area / 150)^.6 * rgamma(k, 1.2, 1.2) * 6)
write.csv(data.frame(larvae = n, survivors = y, area, block, ants, eggs), "broods.csv", row.names = FALSE)
ll <- function(p, f) { p <- pmin(pmax(p, 1e-12), 1 - 1e-9); sum(lchoose(n, y) + lbeta(y + p * f, n - y + (1 - p) * f) - lbeta(p * f, (1 - p) * f)) }
family <- function(t) -ll(plogis(t[1]) / (1 + (x / exp(t[2]))^exp(t[3])), exp(t[4]))
fit <- function(f, start) { o <- optim(start, f, method = "BFGS", control = list(reltol = 1e-15, maxit = 1000)); for (i in 1:3) o <- optim(o$par, f, method = "Nelder-Mead", control = list(reltol = 1e-16, maxit = 5000)); o }
o <- fit(family, c(1, log(.08), log(2), 2))
H <- optimHess(o$par, family, control = list(ndeps = rep(1e-4, 4)))
for (i in 1:4) { say(paste0("family_", i), o$par[i]); say(paste0("family_se_", i), sqrt(diag(solve(H)))[i]) }
say("family_loglik", -o$value)
o1 <- fit(function(t) family(c(t[1], t[2], 0, t[3])), c(1, log(.08), 2)); say("contest_loglik", -o1$value)
o0 <- fit(function(t) -ll(rep(plogis(t[1]), k), exp(t[2])), c(0, 1)); say("none_loglik", -o0$value)
held <- function(b) fit(function(t) family(c(t[1], t[2], log(b), t[3])), o$par[c(1, 2, 4)])$value
cut <- o$value + qchisq(.95, 1) / 2; b <- exp(o$par[3])
say("profile_low", uniroot(function(v) held(v) - cut, c(b / 3, b), tol = 1e-7)$root)
say("profile_high", uniroot(function(v) held(v) - cut, c(b, b * 3), tol = 1e-7)$root)
# the same curve by nonlinear least squares on survivors per area of sure broods (many larvae, no noise): recovers it
xs <- seq(.005, .4, length.out = 60); ys <- xs * .75 / (1 + (xs / .08)^2.2)
q <- nls(ys ~ xs * p0 / (1 + (xs / c)^b), start = list(p0 = .6, c = .1, b = 2), control = list(scaleOffset = 1, tol = 1e-10))
say("nls_p0", coef(q)[["p0"]]); say("nls_c", coef(q)[["c"]]); say("nls_b", coef(q)[["b"]])
best <- optimize(function(v) v * .75 / (1 + (v / .08)^2.2), c(.01, .3), maximum = TRUE, tol = 1e-12)$maximum
say("best_density", best)
# means
la <- log(area)
g <- glm(eggs ~ ants + la, family = quasipoisson, control = list(epsilon = 1e-14))
z <- glm(as.integer(eggs > 0) ~ ants + la, family = binomial, control = list(epsilon = 1e-14))
for (i in 1:3) { say(paste0("eggs_", i), coef(g)[i]); say(paste0("laid_", i), coef(z)[i]) }
say("laid_se_2", sqrt(diag(vcov(z)))[2])
# one-step leaving out each block in turn: (I - H_g)^-1 on the score of each block
X <- model.matrix(g); mu <- fitted(g); B <- solve(t(X) %*% (X * mu)); S <- matrix(0, 3, 3)
for (j in 1:12) { i <- block == j; A <- t(X[i, ]) %*% (X[i, ] * mu[i]); d <- solve(diag(3) - B %*% A, B %*% t(X[i, ]) %*% (eggs[i] - mu[i])); S <- S + d %*% t(d) }
say("eggs_jackknife_se_2", sqrt(11 / 12 * S[2, 2]))

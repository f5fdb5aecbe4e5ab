# Fights by base R alone: duels and dominance as generalised linear models, attrition by summing over every order of
# deaths with a plain recursion, standard errors over both colonies by looking at every pair of fights.
options(digits = 12)
say <- function(name, value) cat(name, format(value, digits = 12), "\n")

# 1. duels: 80 of 100 won at 2:1
y <- rep(c(1, 0), c(80, 20)); x <- rep(log(2), 100)
f <- glm(y ~ 0 + x, family = binomial, control = list(epsilon = 1e-14))
say("duels_slope", coef(f)); say("duels_se", sqrt(vcov(f)))

# 2. baseball 1987 (Agresti 2002, Categorical Data Analysis, table 10.10), winners in rows
team <- c("Milwaukee", "Detroit", "Toronto", "New York", "Boston", "Cleveland", "Baltimore")
w <- matrix(c(0, 7, 9, 7, 7, 9, 11,  6, 0, 7, 5, 11, 9, 9,  4, 6, 0, 7, 7, 8, 12,  6, 8, 6, 0, 6, 7, 10,
              6, 2, 6, 7, 0, 7, 12,  4, 4, 5, 6, 6, 0, 6,  2, 4, 1, 3, 1, 7, 0), 7, byrow = TRUE)
g <- which(upper.tri(w), arr.ind = TRUE)
X <- matrix(0, nrow(g), 7); X[cbind(1:nrow(g), g[, 1])] <- 1; X[cbind(1:nrow(g), g[, 2])] <- -1
b <- glm(cbind(w[g], t(w)[g]) ~ 0 + X[, 1:6], family = binomial, control = list(epsilon = 1e-14))
for (i in 1:6) { say(paste0("baseball_", i), coef(b)[i]); say(paste0("baseball_se_", i), sqrt(diag(vcov(b)))[i]) }

# 3. ties: four kinds, wins of the first, ties, wins of the second; Davidson's model as a log-linear model
pair <- rbind(c(1, 2), c(1, 3), c(1, 4), c(2, 3), c(2, 4), c(3, 4))
n <- rbind(c(9, 3, 4), c(12, 2, 3), c(7, 1, 1), c(6, 4, 5), c(8, 2, 2), c(5, 3, 4))
d <- data.frame(pair = factor(rep(1:6, 3)), n = c(n), half = rep(c(.5, 0, -.5), each = 6), tie = rep(c(0, 1, 0), each = 6))
S <- matrix(0, 18, 4); for (i in 1:6) for (k in 0:2) { S[i + 6 * k, pair[i, 1]] <- d$half[i + 6 * k]; S[i + 6 * k, pair[i, 2]] <- -d$half[i + 6 * k] }
t3 <- glm(n ~ pair + S[, 2:4] + tie, data = d, family = poisson, control = list(epsilon = 1e-14))
at <- 7:10
for (i in 1:4) { say(paste0("ties_", i), coef(t3)[at[i]]); say(paste0("ties_se_", i), sqrt(diag(vcov(t3)))[at[i]]) }
W <- matrix(0, 4, 4); for (i in 1:6) { W[pair[i, 1], pair[i, 2]] <- n[i, 1] + n[i, 2] / 2; W[pair[i, 2], pair[i, 1]] <- n[i, 3] + n[i, 2] / 2 }
david <- function(P) { w1 <- rowSums(P); l1 <- colSums(P); w1 + P %*% w1 - l1 - t(P) %*% l1 }
P <- W / (W + t(W)); diag(P) <- 0; D <- (W + .5) / (W + t(W) + 1); diag(D) <- 0
for (i in 1:4) { say(paste0("david_", i), david(P)[i]); say(paste0("david_corrected_", i), david(D)[i]) }

# 4. sixty invented fights among thirty colonies of two kinds
set.seed(4)
k <- 60
a <- sample(30, k, TRUE); b <- (a + sample(29, k, TRUE) - 1) %% 30 + 1
m0 <- sample(15:80, k, TRUE); n0 <- sample(15:80, k, TRUE)
kind <- rep(c(0, 1), 15); x <- kind[a] - kind[b]
da <- db <- won <- integer(k)
for (q in 1:k) {
  m <- m0[q]; n <- n0[q]; stop <- if (q %% 5 == 0) 0 else .7 * (m + n)
  while (m > 0 && n > 0 && m + n > stop) { p <- plogis(.5 * log(m / n) + .3 * x[q]); if (runif(1) < p) n <- n - 1 else m <- m - 1 }
  da[q] <- m0[q] - m; db[q] <- n0[q] - n; won[q] <- rbinom(1, 1, plogis(2 * log((m + .5) / (n + .5)) + .4 * x[q]))
}
write.csv(data.frame(a, b, m0, n0, da, db, won, x), "fights.csv", row.names = FALSE)
chance <- function(m0, n0, da, db, t, c) {
  P <- matrix(0, da + 1, db + 1); P[1, 1] <- 1
  for (i in 0:da) for (j in 0:db) if (i + j > 0) {
    s <- 0
    if (i > 0 && m0 - i + 1 > 0 && n0 - j > 0) s <- s + P[i, j + 1] * (1 - plogis(t * log((m0 - i + 1) / (n0 - j)) + c))
    if (j > 0 && m0 - i > 0 && n0 - j + 1 > 0) s <- s + P[i + 1, j] * plogis(t * log((m0 - i) / (n0 - j + 1)) + c)
    P[i + 1, j + 1] <- s
  }
  P[da + 1, db + 1]
}
each <- function(th) sapply(1:k, function(q) log(chance(m0[q], n0[q], da[q], db[q], th[1], th[2] * x[q])))
o <- optim(c(0, 0), function(th) -sum(each(th)), method = "BFGS", control = list(reltol = 1e-15))
o <- optim(o$par, function(th) -sum(each(th)), method = "Nelder-Mead", control = list(reltol = 1e-16, maxit = 2000))
h <- 1e-3; E <- diag(2) * h; H <- matrix(0, 2, 2)
for (i in 1:2) for (j in 1:2) H[i, j] <- -(sum(each(o$par + E[i, ] + E[j, ])) - sum(each(o$par + E[i, ] - E[j, ])) - sum(each(o$par - E[i, ] + E[j, ])) + sum(each(o$par - E[i, ] - E[j, ]))) / (4 * h^2)
say("attrition_exponent", 1 + o$par[1]); say("attrition_strength", o$par[2]); say("attrition_loglik", -o$value)
say("attrition_se_exponent", sqrt(solve(H)[1, 1])); say("attrition_se_strength", sqrt(solve(H)[2, 2]))

# 5. the same fights: win or lose on log ratio and kind, with fights that share a colony taken as dependent, each
# score freed of its own leverage
r <- log(m0 / n0)
f <- glm(won ~ 0 + r + x, family = binomial, control = list(epsilon = 1e-14))
s <- cbind(r, x) * (won - fitted(f)) / (1 - hatvalues(f))
share <- outer(1:k, 1:k, Vectorize(function(i, j) length(intersect(c(a[i], b[i]), c(a[j], b[j]))) > 0))
G <- length(unique(c(a, b)))
V <- G / (G - 1) * vcov(f) %*% (t(s) %*% share %*% s) %*% vcov(f)
say("curve_slope", coef(f)[1]); say("curve_kind", coef(f)[2])
say("curve_se_slope", sqrt(V[1, 1])); say("curve_se_kind", sqrt(V[2, 2])); say("curve_model_se_slope", sqrt(vcov(f)[1, 1]))
say("units", G)
